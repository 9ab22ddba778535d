"""What the page of queries says: examples that run, what came of a query, and which columns make a chart."""

from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest

from dashboard.charts.asked import two_columns
from dashboard.views.asking import MOST_BARS, Suited, columns_of, examples, said_of, suited
from pipelines.query.tables import described, fill, named_in
from pipelines.store.folder import Store


@pytest.mark.parametrize("question", examples(), ids=lambda each: each.asks)
def test_every_example_runs_and_gives_rows_of_the_known_fleet(question, known_store):
    with duckdb.connect() as database:
        database.execute("SET TimeZone = 'UTC'")
        fill(database, Store(known_store), named_in(question.sql), None)
        assert database.sql(question.sql).fetchall()


def test_every_table_can_be_shown_with_units_and_meanings():
    for table in described().values():
        assert columns_of(table).height == len(table.columns)
    shown = columns_of(described()["correction_state"])
    assert shown.row(by_predicate=pl.col("column") == "leeway_pct", named=True)["unit"] == "%"
    assert shown["meaning"][0] == "the fleet number (key)"


def test_what_is_said_names_tables_of_another_state_and_those_never_published(reader):
    rows = pl.DataFrame({"a": [1, 2]})
    before = reader.as_of - timedelta(days=7)
    states = {"vehicle_state": reader.as_of, "forecast_check": before, "work_plan": None}
    assert [said.replace("\u00a0", " ") for said in said_of(rows, cut=False, states=states, reader=reader)] == [
        "2 rows.",
        "Work_plan: not published by then, so without rows.",
        "Forecast_check stands as of 13 May 2031, 12:00 (UTC).",
    ]
    assert said_of(rows, cut=True, states={}, reader=reader) == ["The first 2 rows; there are more."]


DAY = datetime(2031, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("columns", "mark"),
    [
        ({"depot": ["a", "b"], "vehicles": [1, 2]}, "bars"),
        ({"cylinder": [1, 2], "vehicles": [1, 2]}, "bars"),
        ({"week": [DAY, DAY + timedelta(7)], "state": ["x", "y"], "z": [0.1, 0.2]}, "line"),
        ({"day": [date(2031, 1, 1), date(2031, 1, 2)], "n": [1, None]}, "line"),
        ({"z": [0.1, 0.2], "leeway.pct [%]": [5.0, 7.0]}, "points"),
        ({"as_of": [DAY, DAY], "depot": ["a", "b"], "n": [1, 2]}, "bars"),
        ({"depot": ["a", "a"], "urgency": ["x", "y"], "n": [1, 2]}, None),
        ({"depot": ["a", "b"], "urgency": ["x", "y"]}, None),
        ({"depot": ["a"], "n": [1]}, None),
        ({"vehicle": [str(n) for n in range(MOST_BARS + 1)], "n": list(range(MOST_BARS + 1))}, None),
        ({"alarm": [True, False], "n": [1, 2]}, None),
        ({}, None),
    ],
)
def test_two_columns_make_a_chart_only_where_it_can_be_read(columns, mark):
    rows = pl.DataFrame(columns)
    found = suited(rows)
    assert (found and found.mark) == mark
    if isinstance(found, Suited):
        drawn = two_columns(rows, found.across, found.up, found.mark).to_dict()
        assert found.up in str(drawn["encoding"])
