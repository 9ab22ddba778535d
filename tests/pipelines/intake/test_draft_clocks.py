"""A module's clock is told from a trip's by its values, whatever the header says."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.intake.draft import draft_mapping
from pipelines.intake.draft_clocks import MODULE, TRIP, UNKNOWN, clock_kind

FIRST = datetime(2031, 1, 6, 8, tzinfo=UTC)


def weekly(hours):
    at = pl.Series([FIRST + timedelta(weeks=week) for week in range(len(hours))])
    return pl.Series(hours, dtype=pl.Float64), at, pl.Series(["V"] * len(hours))


@pytest.mark.parametrize(
    ("hours", "kind"),
    [
        (np.arange(12) * 9.0 + 400, MODULE),
        ([400, 411, 420, 2, 14, 25, 36, 44, 52], MODULE),  # power was lost once
        ([0.4, 1.2, 0.3, 0.9, 0.2, 1.1, 0.5], TRIP),
        ([0.4, 1.2], UNKNOWN),
        (np.arange(6) * 0.5, UNKNOWN),  # rises, but less than a trip may take
        (np.arange(6) * 500.0, UNKNOWN),  # faster than time
    ],
)
def test_what_restarts_at_every_pause_is_a_trips_clock_and_what_counts_on_a_modules(hours, kind):
    assert clock_kind(*weekly(list(hours))) == kind


def test_the_rows_of_one_log_that_begin_at_zero_are_a_trips_clock():
    at = pl.Series([FIRST + timedelta(seconds=n) for n in range(60)])
    assert clock_kind(pl.Series([n / 3600 for n in range(60)]), at, pl.Series(["V"] * 60)) == TRIP


def drafted(tmp_path, header, hours, answers=None):
    rows = "".join(
        f"V1,{FIRST + timedelta(weeks=n):%Y-%m-%dT%H:%M:%SZ},{value},1.{n}\n" for n, value in enumerate(hours)
    )
    path = tmp_path / "checks.csv"
    path.write_text(f"Van,Read at,{header},LTFT B1 (%)\n{rows}", encoding="utf-8")
    return draft_mapping(path, built_in_corrections(), answers=answers or {})


def test_a_header_that_says_ignition_hours_is_not_believed_where_values_restart_at_every_trip(tmp_path):
    told = drafted(tmp_path, "Ignition hours", [0.4, 1.2, 0.3, 0.9, 0.2, 1.1])
    assert "ignition_hours" not in {column.to for column in told.mapping.columns}
    assert "'Ignition hours' starts again at every trip" in " ".join(told.said)
    told = drafted(tmp_path, "Ignition hours", [400, 411, 420, 429, 441, 450])
    assert "ignition_hours" in {column.to for column in told.mapping.columns}


def test_hours_that_count_on_are_offered_and_taken_when_a_person_says_so(tmp_path):
    hours = [400, 411, 420, 429, 441, 450]
    assert '--answer "ignition_hours=Running hours"' in " ".join(drafted(tmp_path, "Running hours", hours).said)
    told = drafted(tmp_path, "Running hours", hours, {"ignition_hours": "Running hours"})
    assert {column.source for column in told.mapping.columns if column.to == "ignition_hours"} == {"Running hours"}
