"""What is too large is refused with one line that names the limit's setting, before it takes memory or time."""

import gzip
import json
import zipfile
from dataclasses import fields

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter
from click.testing import CliRunner

from pipelines.command import load as load_command
from pipelines.errors import DropError, SettingError
from pipelines.intake.apart import Apart
from pipelines.intake.limits import WORDS, Limits, limits_from, setting_of
from pipelines.intake.load import load
from pipelines.intake.reading import read_blocks
from pipelines.store.published import quarantined

HEADER = "vehicle_id,read_at,ltft_b1_idle\n"
ROW = "v1,2031-01-06T08:00:00Z,1.5\n"


def refusal(path, **limits: int) -> str:
    with Apart(Limits(**limits)) as apart, pytest.raises(DropError) as raised:
        list(read_blocks(path, path.suffixes[0][1:], limits=Limits(**limits), apart=apart))
    return str(raised.value)


def test_every_limit_has_its_words_its_setting_and_a_line_in_the_help():
    said = CliRunner().invoke(load_command, ["--help"]).output
    for limit in fields(Limits):
        assert limit.name in WORDS
        assert setting_of(limit.name) in said
        assert f"{limit.default:,}" in said


def test_a_setting_changes_a_limit_and_what_is_no_number_is_refused():
    assert limits_from({"LEEWAY_MOST_ROWS": "7"}) == Limits(rows=7)
    for value in ("many", "-1", "0", ""):
        with pytest.raises(SettingError, match="LEEWAY_MOST_ROWS"):
            limits_from({"LEEWAY_MOST_ROWS": value})


def test_packed_text_is_unpacked_no_further_than_it_may(tmp_path):
    file = tmp_path / "snapshots.csv.gz"
    file.write_bytes(gzip.compress(HEADER.encode() + bytes(40 * 2**20)))
    assert "unpacks to more than 200 times its size" in refusal(file)
    assert "set LEEWAY_MOST_UNPACKED_RATIO" in refusal(file)
    assert "unpacks to more than 1,000,000 bytes" in refusal(file, unpacked_bytes=1_000_000)


def test_parquet_that_claims_a_long_text_a_million_times_is_refused_before_it_takes_memory(tmp_path):
    file = tmp_path / "snapshots.parquet"
    which = pa.DictionaryArray.from_arrays(pa.array(np.zeros(1_000_000, np.int32)), pa.array(["x" * 1_000_000]))
    pq.write_table(pa.table({"vehicle_id": which}), file, store_schema=False)  # a terabyte, in 60 kB
    assert "unpacks to more than 200 times its size" in refusal(file)
    assert "unpacks to more than 2,000,000 bytes" in refusal(file, unpacked_ratio=10**9, unpacked_bytes=2_000_000)
    pq.write_table(pa.table({"a": np.zeros(9_000_000)}), file, use_dictionary=False, compression="zstd")
    assert "times its size; 200 are allowed" in refusal(file)


def test_a_sheet_that_names_a_long_text_a_thousand_times_is_refused(tmp_path):
    file = tmp_path / "work.xlsx"
    with xlsxwriter.Workbook(file) as book:
        book.add_worksheet().write_column(0, 0, ["note", *["x" * 32_000] * 1000])
    assert "times its size; 200 are allowed" in refusal(file)


def test_rows_and_columns_are_counted_in_every_format(tmp_path):
    frame = pl.DataFrame({f"c{n}": ["1"] * 9 for n in range(7)})
    frame.write_csv(tmp_path / "snapshots.csv")
    frame.write_parquet(tmp_path / "snapshots.parquet")
    frame.write_excel(tmp_path / "snapshots.xlsx")
    for ending in ("csv", "parquet", "xlsx"):
        file = tmp_path / f"snapshots.{ending}"
        assert "has 7 columns; 6 are allowed" in refusal(file, columns=6)
        assert "rows; 5 are allowed" in refusal(file, rows=5)


def test_lines_of_json_with_too_many_names_or_too_long_cost_themselves(store, tmp_path):
    good = {"vehicle_id": "v1", "read_at": "2031-01-06T08:00:00Z"}
    lines = [good, good | {f"c{n}": 1 for n in range(60)}, good | {"ltft_b1_idle": 1}, good | {"boost": "x" * 3000}]
    (tmp_path / "snapshots.ndjson").write_text("".join(f"{json.dumps(line)}\n" for line in lines))
    (file,) = load(store, [tmp_path], limits=Limits(columns=50, line_bytes=2000)).files
    assert (file.loaded, file.replaced, file.quarantined) == (1, 1, 2)
    assert quarantined(store)["row_number"].to_list() == [2, 4]


def test_a_cell_that_is_too_long_costs_its_row(store, drop):
    folder = drop(
        work=f"vehicle_id,done_at,kind,note\nv1,2031-01-06,repair,{'x' * 40_000}\nv1,2031-01-07,repair,fine\n"
    )
    (file,) = load(store, [folder]).files
    assert (file.loaded, file.quarantined) == (1, 1)
    assert quarantined(store)["reason"].to_list() == ["a cell of more than 32767 characters"]


def test_a_sheet_whose_last_place_is_taken_is_refused_and_the_drop_loads(store, drop):
    folder = drop(snapshots=HEADER + ROW)
    with xlsxwriter.Workbook(folder / "faults.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["vehicle_id", "read_at", "code"])
        sheet.write(1_048_575, 16_383, "x")
    report = load(store, [folder])
    assert report.exit_code == 3
    assert report.files[0].loaded == 1
    assert "has a sheet that reaches over 17,179,869,184 cells" in str(report.files[1].unreadable)


def test_a_reader_that_asks_for_too_much_memory_or_dies_costs_its_file(tmp_path):
    file = tmp_path / "snapshots.xlsx"
    with xlsxwriter.Workbook(file) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "vehicle_id")
        sheet.write(1_048_575, 16_383, "x")
    assert "takes more than" in refusal(file, sheet_cells=2**40, reader_bytes=2 * 2**30)
    with Apart(Limits()) as apart:
        with pytest.raises(DropError, match="its reader broke off"):
            apart.run("a.xlsx", _exit, 3)
        assert apart.run("b.xlsx", abs, -3) == 3


def _exit(code: int) -> None:
    raise SystemExit(code)


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path):
    file = tmp_path / "snapshots.xlsx"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/sharedStrings.xml", bytes(64 * 2**20))
    assert "times its size; 200 are allowed" in refusal(file)


@pytest.mark.parametrize(("many", "loads"), [(400, True), (3_000, False)])
def test_unknown_columns_wait_up_to_the_limit(store, drop, many, loads):
    names, cells = (",".join(f"{what}{n}" for n in range(many)) for what in ("c", ""))
    folder = drop(snapshots=f"vehicle_id,read_at,{names}\nv1,2031-01-06T08:00:00Z,{cells}\n")
    (file,) = load(store, [folder]).files
    assert (file.loaded == 1, len(file.waiting) == many) == (loads, loads)
    assert loads or "has 3,002 columns" in str(file.unreadable)


def test_a_store_takes_no_more_columns_than_the_limit_however_many_files_bring_them(store, drop):
    for name in ("a", "b"):
        names = ",".join(f"{name}{n}" for n in range(30))
        drop(name, snapshots=f"vehicle_id,read_at,{names}\nv1,2031-01-06T08:00:00Z{',1' * 30}\n")
        (file,) = load(store, [drop(name)], limits=Limits(columns=60)).files
    assert len(file.waiting) < 30
    assert "the store has 60 columns already" in file.extra[0]
