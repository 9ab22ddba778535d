"""All corrections at a glance: one measure, groups that stray first."""

from datetime import UTC, datetime, timedelta

import polars as pl

from dashboard.charts.lanes import lanes as drawn
from dashboard.views.lanes import FARTHEST, MOST_READINGS, lanes

BEGIN = datetime(2031, 1, 1, tzinfo=UTC)


def paths(readings: int) -> pl.DataFrame:
    one = pl.DataFrame({"read_at": [BEGIN + timedelta(days=7 * n) for n in range(readings)]}).with_columns(
        expected=pl.lit(0.0), band_low=pl.lit(-2.0), band_high=pl.lit(2.0)
    )
    return pl.concat(
        [
            one.with_columns(correction=pl.lit("ltft_b1_idle"), level=pl.lit(9.0)),
            one.with_columns(correction=pl.lit("iac_cold"), level=pl.lit(1.0)),
            one.with_columns(correction=pl.lit("knock_c1_mid"), level=pl.lit(None, dtype=pl.Float64)),
        ]
    )


def shown(corrections, readings: int) -> dict[str, pl.DataFrame]:
    states = pl.DataFrame(
        {"correction": ["ltft_b1_idle", "iac_cold", "knock_c1_mid"], "state": ["drifting", "steady", "not_read"]}
    )
    return lanes(paths(readings), states, corrections)


def test_groups_that_stray_stand_first_and_what_was_never_read_has_no_lane(corrections):
    groups = shown(corrections, 5)
    assert list(groups) == ["fuel", "air"]
    assert groups["fuel"]["away"].unique().to_list() == [FARTHEST]
    assert groups["air"]["away"].unique().to_list() == [0.5]
    assert groups["fuel"]["state"].unique().to_list() == ["Drifting"]


def test_long_records_are_thinned_and_keep_their_newest_reading(corrections):
    rows = shown(corrections, 400)["fuel"]
    assert rows.height <= MOST_READINGS
    assert rows["read_at"].max() == BEGIN + timedelta(days=7 * 399)


def test_the_chart_names_its_corrections(corrections):
    chart = drawn(shown(corrections, 5)["fuel"]).to_dict()
    assert chart["width"] == "container"
