import json
from datetime import UTC, datetime

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipelines.catalogue.tables import published_tables
from pipelines.command import COMMANDS
from pipelines.errors import LeewayError
from pipelines.intake.load import load
from pipelines.store.entries import read_entries
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables

COLUMNS = [
    "entry_id", "entered_at", "who", "kind", "vehicle_id", "subject", "value", "until", "detail", "withdraws",
    "client_key",
]  # fmt: skip


@pytest.fixture
def filled(store, small_drop) -> Store:
    load(store, [small_drop])
    return store


def run(*words: object, store: Store, typed: str = "") -> Result:
    name, *rest = [str(word) for word in words]
    command = next(command for command in COMMANDS if command.name == name)
    return CliRunner(env={"LOGNAME": "berg"}).invoke(command, [*rest, "--store", str(store.path)], input=typed)


def test_good_rows_enter_beside_refused_ones_which_say_row_column_and_reason(filled, tmp_path):
    (tmp_path / "entries.csv").write_text(
        "Kind;vehicle_id;subject;value;until;detail;shift\n"
        'visit;v1;;put_off;2031-02-01;"{""text"": ""on the road; until then""}";2\n'
        "visit;v9;;accept;;;\n"
        "visit;v1;;pin;soon;;\n"
        "held;;b1;keep;;;\n"
    )
    result = run("enter", tmp_path / "entries.csv", store=filled)
    assert result.exit_code == 3
    assert "entries.csv, row 3, vehicle_id: no vehicle 'v9' in this store; refused.\n" in result.stdout
    assert "entries.csv, row 4, until: is not a date (2031-02-14); refused.\n" in result.stdout
    assert "entries.csv, row 5, subject: 'b1' is not in held_reading yet; it counts once it is.\n" in result.stdout
    assert "kept out, not columns of an entry: shift.\n" in result.stdout
    assert "Entered 2, refused 2." in result.stdout
    found = read_entries(filled)
    assert found["who"].to_list() == ["berg", "berg"]
    assert json.loads(found["detail"][0]) == {"text": "on the road; until then"}


def test_an_answer_that_a_batch_does_not_offer_is_refused_in_one_line(filled):
    as_of = datetime(2031, 1, 20, tzinfo=UTC)
    batch = pl.DataFrame({"batch_id": ["b1"], "answers": ["keep|leave_out"]})
    table = pl.concat([published_tables()["held_reading"].empty(), batch], how="diagonal")
    publish_tables(filled, {"held_reading": table}, as_of)
    said = [{"kind": "held", "subject": "b1", "value": value} for value in ("convert", "keep")]
    result = run("enter", "-", store=filled, typed="\n".join(map(json.dumps, said)))
    assert result.exit_code == 3
    assert "row 1, value: 'convert' is no answer to batch b1: it is one of keep, leave_out; refused.\n" in result.stdout
    assert read_entries(filled)["value"].to_list() == ["keep"]


def test_lines_of_json_come_by_standard_input_and_the_same_key_is_taken_once(filled):
    detail = {"read_at": "2031-01-20T08:00:00Z", "ltft_b1_idle": 2.25, "lamp_on": True}
    line = json.dumps({"kind": "reading", "vehicle_id": "v1", "client_key": "k", "until": None, "detail": detail})
    result = run("enter", "-", store=filled, typed=f"{line}\n{line}\nnot an object\n")
    assert result.exit_code == 3
    assert "row 2: its client_key was taken before, by " in result.stdout
    assert "row 3, does not have" in result.stdout
    again = run("enter", "-", "--entered-at", "2031-01-21", store=filled, typed=line)
    assert again.exit_code == 0
    assert "Entered 0, 1 entered before, refused 0." in again.stdout
    assert read_entries(filled).height == 1
    assert "--entered-at" not in run("enter", "--help", store=filled).output


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "standard input: is empty"),
        ("kind,value\n", "standard input: holds no row"),
        ("sort,what\nnote,x\n", "standard input: lacks the column kind, which entries must have (found: sort, what)"),
        ("{not json\n", "standard input: cannot be read as ndjson"),
    ],
)
def test_what_cannot_be_read_at_all_is_one_line(filled, typed, said):
    error = run("enter", "-", store=filled, typed=typed).exception
    assert isinstance(error, LeewayError)
    assert said in str(error)
    assert "\n" not in str(error)
    assert read_entries(filled).is_empty()


def test_a_file_that_is_not_there_and_a_store_that_is_not_there_are_one_line(store, tmp_path):
    assert "nothing.csv: No such file" in str(run("enter", tmp_path / "nothing.csv", store=store).exception)
    assert "no store here" in str(run("enter", "-", store=store, typed='{"kind": "note"}').exception)
    assert "no store here" in str(run("export", "entry", "--to", tmp_path / "x.csv", store=store).exception)


@pytest.mark.parametrize("ending", ["parquet", "csv", "xlsx"])
def test_the_record_is_exported_in_the_order_of_its_columns(filled, tmp_path, ending):
    target = tmp_path / f"entries.{ending}"
    assert run("export", "entry", "--to", target, store=filled).exit_code == 0  # nothing was entered yet
    note = '{"kind": "note", "subject": "fleet", "value": "=1+1"}'
    run("enter", "-", "--entered-at", "2031-01-21", store=filled, typed=note)
    assert run("export", "entry", "--to", target, store=filled).exit_code == 0
    read = {"parquet": pl.read_parquet, "csv": pl.read_csv, "xlsx": pl.read_excel}[ending](target)
    assert read.columns == COLUMNS
    assert read["value"].to_list() == ["'=1+1" if ending == "csv" else "=1+1"]
    if ending == "parquet":
        assert read["entered_at"].to_list() == [datetime(2031, 1, 21, 23, 59, 59, tzinfo=UTC)]


def test_an_exported_record_entered_again_gives_no_entry_another_id(filled, tmp_path):
    keyed = '{"kind": "note", "subject": "fleet", "value": "x", "client_key": "k"}'
    run("enter", "-", store=filled, typed=keyed)
    run("export", "entry", "--to", tmp_path / "entries.csv", store=filled)
    before = read_entries(filled)
    assert run("enter", tmp_path / "entries.csv", store=filled).exit_code == 0
    assert read_entries(filled).equals(before)
