"""Names that come from data are held against one rule, wherever they come from."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.names import code_refusal, name_refusal, printable, reserved_words
from pipelines.errors import SettingError
from pipelines.intake.load import load
from pipelines.intake.mapping import parse_mapping
from pipelines.store.catalogue import catalogue_of
from pipelines.store.published import quarantined, vehicle_snapshots

REFUSED = {
    "load_id": "a word that tables use", "vehicle_id": "a word that tables use", "Read_At": "a word that tables use",
    "module": "a word that tables use", "replaced_by": "a word that tables use", "arrival": "a word that tables use",
    "*": "a pattern", "^.*$": "a pattern", "boost before": "a pattern or suffix", "x" * 101: "more than 100 characters",
    "a\tb": "control characters", "a\x1b[31mb": "control characters", "a\u202eb": "control characters",
    "LTFT_B1_IDLE": "differs by case alone from ltft_b1_idle",
}  # fmt: skip
SNAPSHOTS = "vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.5\n"


def test_names_that_catalogues_use_are_good_ones():
    assert [code for code in built_in_corrections()["code"] if code_refusal(code)] == []
    assert code_refusal("LTFT B1 (%), Leerlauf é") is None


@given(st.text())
def test_what_is_accepted_is_printable_as_it_is_and_no_word_of_tables(name):
    if code_refusal(name) is None:
        assert name.casefold() not in reserved_words()
        assert printable(name) == name
        assert pl.DataFrame({"other": [1], name or "x": [2]}).select(pl.col(name or "x")).width == 1
    assert name_refusal(name) is None or code_refusal(name) is not None


@pytest.mark.parametrize(("table", "column"), [("corrections", "code"), ("readings", "correction")])
def test_a_catalogue_and_long_readings_name_no_correction_so(store, tmp_path, table, column):
    names = [name for name in REFUSED if table == "corrections" or name != "LTFT_B1_IDLE"]
    key = {} if table == "corrections" else {"vehicle_id": "v1", "read_at": "2031-01-06T08:00:00Z", "value": "1"}
    rows = [{**key, column: name} for name in [*names, "boost"]]
    folder = tmp_path / "drop"
    folder.mkdir()
    pl.DataFrame(rows).write_csv(folder / f"{table}.csv")
    report = load(store, [folder])
    assert report.exit_code == 3
    assert report.files[0].loaded == 1
    told = dict(quarantined(store).select(pl.col("original").str.json_path_match(f"$.{column}"), "reason").iter_rows())
    for name in names:
        assert REFUSED[name] in told[name]
    (folder / "snapshots.csv").write_text(SNAPSHOTS)
    assert load(store, [folder / "snapshots.csv"]).exit_code == 0


def test_long_readings_whose_corrections_differ_by_case_alone_are_of_one(store, drop):
    row = "v1,2031-01-0{}T08:00:00Z,{},{}\n"
    rows = row.format(6, "LTFT_B1_IDLE", 1) + row.format(7, "ltft_b1_idle", 2)
    rows += row.format(6, "Boost", 3) + row.format(7, "boost", 4)
    report = load(store, [drop(readings=f"vehicle_id,read_at,correction,value\n{rows}", corrections="code\nBoost\n")])
    assert report.files[-1].loaded == 4
    assert vehicle_snapshots(store, "v1").select("ltft_b1_idle", "Boost").rows() == [(1.0, 3.0), (2.0, 4.0)]


def test_columns_so_named_are_kept_out_with_the_reason(store, drop):
    header = "vehicle_id,read_at,ltft_b1_idle,load_id,Boost,boost,module,Module,*,VEHICLE_ID"
    report = load(store, [drop(snapshots=f"{header}\nv1,2031-01-06T08:00:00Z,1.5,7,1,2,m1,3,4,v9\n")])
    said = "\n".join(report.lines())
    assert "load_id (4) (a word of the store's own)" in said
    assert "snapshots.boost (the same name stands before it, whatever its case)" in said
    assert "snapshots.* (a pattern or suffix that would stand for other columns)" in said
    assert vehicle_snapshots(store, "v1").select("vehicle_id", "module", "ltft_b1_idle").rows() == [("v1", "m1", 1.5)]


@pytest.mark.parametrize("name", ["load_id", "arrival", "^.*$", "a\x00"])
def test_a_mapping_makes_no_such_column(name):
    with pytest.raises(SettingError, match="Name a column of snapshots"):
        parse_mapping({"table": "snapshots", "column": [{"to": name, "from": "x"}]}, "m.toml")
    with pytest.raises(SettingError, match="Name a column of snapshots"):
        parse_mapping({"table": "snapshots", "constants": {name: "1"}}, "m.toml")


def test_a_mapping_makes_a_column_once():
    columns = [{"to": "boost", "from": "x"}, {"to": "Boost", "from": "y"}]
    with pytest.raises(SettingError, match="is made twice"):
        parse_mapping({"table": "snapshots", "column": columns}, "m.toml")


@pytest.mark.parametrize("name", ["x" * 10_000_000, "x" * 101, "v\x1b[2J"])
def test_a_vehicle_so_called_is_quarantined_alone(store, drop, name):
    report = load(store, [drop(snapshots=f"{SNAPSHOTS}{name},2031-01-06T08:00:00Z,1.5\n")])
    assert (report.files[0].loaded, report.files[0].quarantined) == (1, 1)
    assert len(quarantined(store)["original"][0]) < 40_000


def test_a_store_that_holds_such_a_row_from_before_goes_on_without_it(store, small_drop, drop):
    load(store, [drop("a", corrections="code,title\nboost,Boost\n")])
    with store.writing("as an older release did") as connection:
        rows = "('load_id', 1), ('^.*$', 1), ('LTFT_B1_IDLE', 1), ('Boost', 1)"
        connection.execute(f"INSERT INTO corrections (code, load_id) VALUES {rows}")
    report = load(store, [small_drop])
    assert report.exit_code == 0
    notices = [line for line in report.lines() if "is left out" in line]
    assert len(notices) == 4
    assert all("leeway store withdraw 1" in line for line in notices)
    with store.reading() as connection:
        codes = set(catalogue_of(connection)["code"])
    assert codes.isdisjoint({"load_id", "^.*$", "LTFT_B1_IDLE"})
    assert len({"boost", "Boost"} & codes) == 1
    assert vehicle_snapshots(store, "v1")["ltft_b1_idle"].to_list() == [1.5, 2.5]
