"""Who is said to be not read for long."""

import polars as pl

from dashboard.views.unread import unread

SCHEMA = {
    "vehicle_id": pl.String, "depot": pl.String, "days_since_read": pl.Float64,
    "last_read_at": pl.Datetime("us", "UTC"),
}  # fmt: skip


def fleet(*days, depot="Saltings"):
    rows = [(f"V{n}", depot, each, None) for n, each in enumerate(days)]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def test_two_weeks_are_long_where_readings_come_weekly():
    view = unread(fleet(1.0, 2.0, 3.0, 14.0, 40.0))
    assert view.sentence.replace("\u00a0", " ") == "2 vehicles were not read for 14 days or longer: 2 at Saltings."
    assert view.rows["vehicle_id"].to_list() == ["V4", "V3"]


def test_where_readings_come_monthly_two_weeks_are_not_long():
    assert unread(fleet(10.0, 15.0, 20.0, 30.0)) is None
    assert unread(fleet(10.0, 15.0, 20.0, 60.0)).rows["vehicle_id"].to_list() == ["V3"]


def test_what_was_never_read_stands_first_and_a_missing_depot_is_said():
    view = unread(fleet(None, 20.0, 1.0, 1.0, depot=None))
    assert view.rows["vehicle_id"].to_list() == ["V0", "V1"]
    assert view.sentence.endswith("2 at no depot.")


def test_nobody_is_nothing():
    assert unread(fleet(1.0, 2.0)) is None
    assert unread(fleet()) is None
