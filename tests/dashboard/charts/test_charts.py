"""What the charts hold: the layers a reader is promised, in colours and shapes that tell the same."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.charts import fleet, groups
from dashboard.charts.correction_path import correction_path, limits_drawn
from dashboard.palette import GROUPS, URGENCY

AS_OF = datetime(2031, 5, 20, 12, tzinfo=UTC)
WEEKS = 30
ROW = {
    "low_limit": -25.0,
    "high_limit": 25.0,
    "onset_at": datetime(2031, 3, 12, tzinfo=UTC),
    "onset_low": datetime(2031, 3, 5, tzinfo=UTC),
    "onset_high": datetime(2031, 3, 20, tzinfo=UTC),
    "limit_at_p10": datetime(2031, 6, 3, tzinfo=UTC),
    "limit_at_p50": datetime(2031, 6, 10, tzinfo=UTC),
    "limit_at_p90": datetime(2031, 6, 19, tzinfo=UTC),
}
NO_EVENTS = pl.DataFrame(schema={"at": pl.Datetime("us", "UTC"), "kind": pl.String, "text": pl.String})


def path(level: float) -> pl.DataFrame:
    at = [AS_OF - timedelta(weeks=WEEKS - 1 - week) for week in range(WEEKS)]
    levels = [1.0 + (level - 1.0) * max(0, week - 20) / 9 for week in range(WEEKS)]
    return pl.DataFrame(
        {
            "read_at": at,
            "value": levels,
            "expected": [1.0] * WEEKS,
            "band_low": [-2.0] * WEEKS,
            "band_high": [4.0] * WEEKS,
            "level": levels,
        },
        schema_overrides={"read_at": pl.Datetime("us", "UTC")},
    )


def names(spec: dict) -> list[str]:
    """What each coloured layer stands for."""
    calculated = [step["calculate"] for layer in spec["layer"] for step in layer.get("transform", [])]
    return [each.strip("'") for each in calculated]


def rows_of(spec: dict, layer: int) -> list[dict]:
    data = spec["layer"][layer].get("data", spec.get("data"))
    return spec["datasets"][data["name"]]


def test_a_drift_is_drawn_with_band_onset_limit_and_the_way_to_it():
    spec = correction_path(path(20.0), ROW, NO_EVENTS, as_of=AS_OF, unit="%").to_dict()
    assert set(names(spec)) == {
        "Normal band",
        "Onset",
        "Expected",
        "Smoothed level",
        "Limit",
        "Way to the limit",
        "Reading",
    }
    way = rows_of(spec, names(spec).index("Way to the limit"))
    assert [row["value"] for row in way if row["date"] == "middle"] == [20.0, 25.0]
    assert [row["at"][:10] for row in way if row["date"] == "late"] == ["2031-05-20", "2031-06-19"]


def test_a_limit_far_away_does_not_flatten_the_chart():
    assert limits_drawn(path(3.0), ROW) == []
    assert limits_drawn(path(20.0), ROW) == [25.0]
    assert limits_drawn(path(-20.0), ROW) == [-25.0]


def test_a_limit_that_is_not_expected_to_be_met_has_no_way_to_it():
    never = ROW | {"limit_at_p10": None, "limit_at_p50": None, "limit_at_p90": None}
    assert "Way to the limit" not in names(
        correction_path(path(20.0), never, NO_EVENTS, as_of=AS_OF, unit="%").to_dict()
    )


def test_a_date_far_ahead_is_drawn_to_the_edge_and_points_there():
    far = ROW | {"limit_at_p50": AS_OF + timedelta(days=360)}
    spec = correction_path(path(20.0), far, NO_EVENTS, as_of=AS_OF, unit="%").to_dict()
    way = rows_of(spec, names(spec).index("Way to the limit"))
    assert [row["value"] for row in way if row["date"] == "middle"] == pytest.approx([20.0, 22.5])


def test_events_of_a_day_are_one_mark_that_names_them_all():
    events = pl.DataFrame(
        {
            "at": [AS_OF - timedelta(days=9), AS_OF - timedelta(days=9), AS_OF + timedelta(days=9)],
            "kind": ["work", "work", "fault"],
            "text": ["cleaning", "reset", "P0171 was set"],
        },
        schema_overrides={"at": pl.Datetime("us", "UTC")},
    )
    spec = correction_path(path(20.0), ROW, events, as_of=AS_OF, unit="%").to_dict()
    shown = rows_of(spec, len(spec["layer"]) - 1)
    assert [(row["kind"], row["text"]) for row in shown] == [("Work", "cleaning; reset")]


def test_without_expectations_the_readings_are_still_drawn():
    bare = path(20.0).with_columns(
        pl.lit(None, pl.Float64).alias(name) for name in ("expected", "band_low", "band_high", "level")
    )
    spec = correction_path(bare, ROW | {"onset_at": None}, NO_EVENTS, as_of=AS_OF, unit="").to_dict()
    assert names(spec) == ["Reading"]


def urgent(count: int) -> pl.DataFrame:
    labels = [each.label for each in URGENCY.values()]
    return pl.DataFrame(
        {
            "vehicle_id": [f"V{n}" for n in range(count)],
            "urgency": [labels[n % 5] for n in range(count)],
            "depot": ["Saltings" if n % 3 else None for n in range(count)],
            "leeway_pct": [n % 100 + 0.0 for n in range(count)],
            "chance_30": [n / count for n in range(count)],
            "what": [""] * count,
        }
    )


def test_bars_end_where_all_vehicles_of_a_depot_are_counted():
    spec = fleet.urgency_by(urgent(30), "depot", "depot").to_dict()
    rows = rows_of(spec, 0)
    assert {depot: max(row["end"] for row in rows if row["depot"] == depot) for depot in ("Saltings", "not known")} == {
        "Saltings": 20,
        "not known": 10,
    }
    assert {row["label"].split()[0] for row in rows} <= {each.mark for each in URGENCY.values()}


def test_ten_thousand_vehicles_are_drawn_down_to_the_most_likely_to_fault():
    spec = fleet.leeway_against_chance(urgent(10_000)).to_dict()
    rows = spec["datasets"][spec["data"]["name"]]
    assert len(rows) == fleet.MOST_MARKS
    assert min(row["chance_30"] for row in rows) == pytest.approx(0.85)


def test_groups_differ_by_colour_and_dash():
    weekly = pl.DataFrame({"group": ["a", "b"], "week": [AS_OF, AS_OF], "vehicles": [5, 5]}).with_columns(
        low=0.0, quarter=0.5, median=1.0, three_quarters=1.5, high=2.0
    )
    noted = pl.DataFrame({"at": weekly["week"][:1], "about": ["fleet"], "text": ["new fuel"]})
    asked = {"groups": ["a", "b"], "unit": "%", "split": "depot"}
    layers = groups.ribbons(weekly, noted, **asked).to_dict()["layer"]
    assert len(layers) == len(groups.ribbons(weekly, noted.head(0), **asked)["layer"]) + 2
    line = layers[2]["encoding"]
    assert line["color"]["scale"]["range"] == list(GROUPS[:2])
    assert line["strokeDash"]["scale"]["range"][0] != line["strokeDash"]["scale"]["range"][1]


def test_groups_side_by_side_share_their_axis_and_very_many_vehicles_are_counted_in_fields():
    weekly = pl.DataFrame({"group": ["a"], "week": [AS_OF], "vehicles": [5]}).with_columns(
        low=0.0, quarter=0.5, median=1.0, three_quarters=1.5, high=2.0
    )
    asked = {"groups": ["a"], "unit": "", "split": "depot", "domain": (-1.0, 3.0)}
    area = groups.ribbons(weekly, NO_EVENTS, **asked).to_dict()["layer"][0]
    assert area["encoding"]["y"]["scale"]["domain"] == [-1, 3]
    rows = pl.DataFrame({"vehicle_id": ["V1"], "group": ["a"], "across": [1.0], "up": [2.0]})
    assert groups.points(rows, groups=["a"], across="x", up="y").to_dict()["encoding"]["shape"]["field"] == "group"
    counted = pl.DataFrame({"across": [0.0], "across_end": [1.0], "up": [0.0], "up_end": [1.0], "vehicles": [4]})
    assert groups.fields(counted, across="x", up="y").to_dict()["encoding"]["opacity"]["field"] == "vehicles"
    bins = pl.DataFrame({"group": ["a"], "low": [0.0], "high": [1.0], "share": [1.0], "vehicles": [4]})
    steps = groups.histogram(bins, groups=["a"], axis="x", split="depot").to_dict()["layer"][0]["mark"]
    assert steps["interpolate"] == "step"
    periods = pl.DataFrame({"from": [AS_OF], "difference": [1.0], "low": [0.5], "high": [1.5]}).with_columns(
        first_vehicles=6, second_vehicles=9
    )
    assert len(groups.difference(periods, NO_EVENTS, unit="%").to_dict()["layer"]) == 3


def test_the_reliability_curve_stands_beside_the_line_of_a_forecast_that_keeps_its_word():
    curve = pl.DataFrame({"forecast": [0.3], "observed": [0.28], "low": [0.2], "high": [0.36], "vehicles": [100]})
    spec = fleet.reliability(curve).to_dict()
    assert rows_of(spec, 0) == [{"x": 0.0, "y": 0.0}, {"x": 1.0, "y": 1.0}]
    assert rows_of(spec, 2)[0]["observed"] == 0.28
