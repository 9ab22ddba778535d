"""A query's answer, its limits, and the line that says what is wrong with it."""

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from pipelines import figures
from pipelines.catalogue.tables import DTYPES
from pipelines.errors import QueryError, SettingError, StoreError
from pipelines.query.ask import LONGEST, Answer, Limits, ask
from pipelines.query.fence import Question, _different, _not_one_reading, _rows, _within
from pipelines.query.problems import FENCED, in_a_line
from pipelines.query.tables import described, fill, named_in
from pipelines.store.folder import Store


def question(**given: object) -> Question:
    usual = {
        "store": "",
        "sql": "",
        "as_of": None,
        "seconds": 9,
        "memory_bytes": 2**28,
        "rows": 5,
        "answer_bytes": 9999,
    }
    return Question(**(usual | given))


@pytest.fixture
def database():
    with duckdb.connect() as made:
        made.execute("SET TimeZone = 'UTC'")
        yield made


def test_a_query_joins_published_tables_with_the_fleet_and_says_which_state_they_show(asked_store, dates):
    sql = "SELECT depot, urgency, as_of FROM vehicle_state JOIN vehicles USING (vehicle_id) ORDER BY depot"
    answer = ask(asked_store, sql)
    assert answer.rows.rows() == [("Millrace", "plan", dates[1]), ("Saltings", "this_week", dates[1])]
    assert answer.states == {"vehicle_state": dates[1]}
    assert not answer.cut


def test_an_endless_query_is_ended_and_what_is_wrong_is_one_line(asked_store):
    with pytest.raises(QueryError, match=r"^It took longer than 2 s and was ended\. .+$"):
        ask(asked_store, "SELECT count(*) FROM range(1000000) a, range(1000000) b", limits=Limits(seconds=2))


def test_a_query_too_large_for_memory_is_one_line(asked_store):
    with pytest.raises(QueryError, match="more memory than a query may have"):
        ask(asked_store, "SELECT repeat('x', 4000000000)")


def test_a_query_too_long_is_not_begun():
    with pytest.raises(QueryError, match=r"at most 10,000 are read"):
        ask(Store("nowhere"), "x" * (LONGEST + 1))


def test_a_limit_is_above_zero():
    with pytest.raises(SettingError, match="seconds: 0"):
        Limits(seconds=0)


def test_tables_show_the_asked_state_and_all_states_every_kept_one(asked_store, dates, database):
    named = named_in("FROM ALL_STATES.Vehicle_State, vehicles")
    assert named == {"all_states", "vehicle_state", "vehicles"}
    assert fill(database, asked_store, named, dates[0]) == {"vehicle_state": dates[0]}
    shown = "SELECT vehicle_id, urgency FROM vehicle_state ORDER BY ALL"
    assert database.sql(shown).fetchall() == [("v1", "none"), ("v2", "plan")]
    assert database.sql("SELECT count(*) FROM all_states.vehicle_state").fetchall() == [(4,)]
    assert database.sql("FROM vehicles").columns == described()["vehicles"].schema.names()


def test_a_table_that_was_never_published_is_there_without_rows(asked_store, dates, database):
    assert fill(database, asked_store, {"work_plan"}, None) == {"work_plan": None}
    assert database.sql("FROM work_plan").columns == described()["work_plan"].schema.names()
    assert fill(database, asked_store, {"vehicle_state"}, dates[0].replace(year=2030)) == {"vehicle_state": None}


def test_rows_beyond_the_limit_are_left_out_and_said(database):
    rows, cut = _rows(database, question(sql="FROM range(10)"))
    assert (rows.num_rows, cut) == (5, True)
    rows, cut = _rows(database, question(sql="FROM range(5)"))
    assert (rows.num_rows, cut) == (5, False)
    rows, cut = _rows(database, question(sql="SELECT repeat('x', 4000) FROM range(5)"))
    assert (rows.num_rows, cut) == (2, True)
    assert _within(pa.record_batch({"x": ["long"]}), 1).num_rows == 0


def test_columns_of_an_answer_are_plain_and_have_different_names(database):
    columns = "[1] a, {'b': 1} a, INTERVAL 1 day A, sum(range) s, 1.50::DECIMAL(9, 2) d, NULL n, 'a'::BLOB b"
    rows, _ = _rows(database, question(sql=f"SELECT {columns} FROM range(3)"))
    assert rows.column_names == ["a", "a_2", "A_3", "s", "d", "n", "b"]
    assert [str(kind) for kind in rows.schema.types[:4]] == ["string", "string", "string", "double"]
    assert rows.to_pylist()[0] | {"d": 0} == {
        "a": "[1]", "a_2": "{'b': 1}", "A_3": "1 day", "s": 3.0, "d": 0, "n": None, "b": "a",
    }  # fmt: skip
    assert _different(["x", "x_2", "x"]) == ["x", "x_2", "x_3"]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("", "There is no query yet"),
        ("SELECT 1; SELECT 2", "These are 2 statements"),
        ("DELETE FROM vehicle_state", "DELETE is not asked here: queries only read."),
        ("COPY vehicle_state TO 'x'", "COPY is not asked here"),
    ],
)
def test_what_is_no_single_reading_is_refused(sql, said):
    assert said in _not_one_reading(duckdb.extract_statements(sql))


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("SELEC 1", 'Syntax error at or near "SELEC".'),
        (
            "SELECT leeway FROM vehicle_state",
            'Referenced column "leeway" not found in FROM clause. Near it: leeway_pct',
        ),
        ("SELECT 1\nFROM vehicle_state\nWERE 1 = 2", "(line 3)"),
        ("FROM vehicle_stat", "There is no table vehicle_stat here. Near it: vehicle_state"),
        ("FROM snapshots", "There is no table snapshots here. Near it: correction_state"),
        ("SELECT averag(1)", "There is no scalar function averag."),
        ("SELECT 'x'::INTEGER", "Could not convert string 'x' to INT32"),
        ("FROM read_text('/etc/passwd')", FENCED),
    ],
)
def test_what_is_wrong_is_named_in_one_line(sql, said, database):
    fill_empty = described()["vehicle_state"].empty().to_arrow()
    database.register("came", fill_empty)
    database.execute("CREATE TABLE vehicle_state AS FROM came; SET enable_external_access = false")
    with pytest.raises(duckdb.Error) as raised:
        database.sql(sql).fetchall()
    line = in_a_line(raised.value, sql)
    assert said in line
    assert "\n" not in line


def test_python_reads_the_same_figures(asked_store, dates, monkeypatch):
    place = asked_store.path
    assert figures.states(place) == list(dates)
    assert figures.table(place, "vehicle_state")["urgency"].to_list() == ["this_week", "plan"]
    assert figures.table(place, "vehicle_state", as_of=dates[0])["urgency"].to_list() == ["none", "plan"]
    assert figures.table(place, "vehicles")["depot"].to_list() == ["Saltings", "Millrace"]
    assert figures.readings(place, "v1")["ltft_b1_idle"].to_list() == [1.5]
    assert figures.query(place, "SELECT max(leeway_pct) AS most FROM vehicle_state").to_dicts() == [{"most": 20.0}]
    cut = Answer(rows=pl.DataFrame({"a": [1]}), cut=True, states={})
    monkeypatch.setattr(figures, "ask", lambda *_, **__: cut)
    with pytest.raises(QueryError, match=r"More than 1 rows\."):
        figures.query(place, "FROM range(9)")
    with pytest.raises(SettingError, match="snapshots: no table"):
        figures.table(place, "snapshots")
    with pytest.raises(StoreError, match="work_plan is not published yet"):
        figures.table(place, "work_plan")


def test_every_column_that_can_be_asked_has_a_meaning():
    known = figures.columns()
    plain = known.filter(~known["table"].is_in(["vehicles", "corrections", "components"]))
    assert plain.filter((plain["meaning"] == "") & (plain["unit"] == "")).height == 0
    assert set(known["type"]) <= set(DTYPES)
