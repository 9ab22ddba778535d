"""One bad file never takes its drop along: it is named with its reason, whatever it is, and the others load."""

import gzip
import os
import socket
import uuid
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipelines.errors import DropError
from pipelines.intake.load import load
from pipelines.intake.reading import read_blocks
from pipelines.store.published import quarantined

SNAPSHOTS = "vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.5\n"


def test_what_is_no_file_is_named_and_nothing_waits_for_it(store, drop):
    folder = drop(snapshots=SNAPSHOTS)
    os.mkfifo(folder / "faults.csv")
    os.mkfifo(folder / "pipe")
    (folder / "work.csv").symlink_to(folder / "nowhere")
    (folder / "due.csv").symlink_to("/dev/zero")
    (folder / "older").symlink_to(folder.parent)
    (folder / "vehicles.csv").symlink_to("vehicles.csv")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(folder / "bays.csv"))
        report = load(store, [folder])
    said = "\n".join(report.lines())
    assert report.exit_code == 3
    assert [file.loaded for file in report.files if file.table == "snapshots"] == [1]
    for line in (
        "faults.csv: is a named pipe, no file. Put the file itself there.", "pipe: is a named pipe, no file.",
        "work.csv: is a link that leads nowhere.", "due.csv: is a device, no file.", "bays.csv: is a socket, no file.",
        "vehicles.csv: is a link that leads nowhere.", "older: is a link to a folder, which is not followed.",
    ):  # fmt: skip
        assert line in said


def test_a_single_path_that_is_no_file_says_what_it_is(store, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(DropError, match="pipe: is a named pipe, no file"):
        load(store, [tmp_path / "pipe"])


def test_files_whose_names_cannot_be_printed_are_named_and_not_read(store, drop):
    folder = drop(snapshots=SNAPSHOTS)
    (folder / "faults-\x1b[31m.csv").write_text("vehicle_id,read_at,code\n")
    Path(os.fsdecode(os.fsencode(folder) + b"/work-\xff.csv")).write_text("vehicle_id,done_at,kind\n")
    report = load(store, [folder])
    said = "\n".join(report.lines())
    assert report.files[0].loaded == 1
    assert r"faults-\x1b[31m.csv: its name cannot be printed" in said
    assert r"work-\udcff.csv: its name cannot be printed" in said
    said.encode()


def test_a_drop_whose_folder_is_no_utf_8_loads(store, tmp_path):
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/drop-\xff"))
    folder.mkdir()
    for ending in ("csv", "parquet", "ndjson"):
        file = tmp_path / f"snapshots.{ending}"
        frame = pl.DataFrame({"vehicle_id": [f"of {ending}"], "read_at": ["2031-01-06T08:00:00Z"]})
        {"csv": frame.write_csv, "parquet": frame.write_parquet, "ndjson": frame.write_ndjson}[ending](file)
        file.rename(folder / file.name)
    assert [file.loaded for file in load(store, [folder]).files] == [1, 1, 1]


def test_parquet_of_other_writers_is_read_as_what_it_says(tmp_path):
    vehicle = uuid.UUID("12345678-1234-5678-1234-567812345678")
    columns = {
        "uuid": pa.array([vehicle.bytes, None], pa.uuid()),
        "json": pa.array(['{"a": 1}', None], pa.json_()),
        "large": pa.array(["of text", None], pa.large_string()),
        "which": pa.array(["one of few", None]).dictionary_encode(),
        "zoned": pa.array([1, None], pa.timestamp("us", "America/New_York")),
        "decimal": pa.array([Decimal("1.5"), None], pa.decimal256(60, 2)),
        "nothing": pa.nulls(2),
        "lasted": pa.array([7, None], pa.duration("s")),
        "half": pa.array([0.5, None], pa.float16()),
    }
    for how in ({}, {"use_dictionary": False, "column_encoding": {"large": "DELTA_LENGTH_BYTE_ARRAY"}}):
        pq.write_table(pa.table(columns), tmp_path / "snapshots.parquet", **how)
        (cells,) = (block.cells for block in read_blocks(tmp_path / "snapshots.parquet", "parquet"))
        first = cells.row(0, named=True)
        assert cells.rows()[1] == (*[None] * 9, 2)
        assert first["uuid"] == str(vehicle)
        assert (first["json"], first["large"], first["which"], first["decimal"]) == (
            '{"a": 1}',
            "of text",
            "one of few",
            1.5,
        )
        assert (first["lasted"], first["half"]) == (7, 0.5)
        assert first["zoned"] == datetime(1970, 1, 1, 0, 0, 0, 1, tzinfo=UTC)


def test_rows_of_a_parquet_file_keep_their_numbers_from_batch_to_batch(tmp_path):
    names = [f"v{n % 7}" for n in range(150_000)]
    pl.DataFrame({"vehicle_id": names}).write_parquet(tmp_path / "snapshots.parquet", row_group_size=60_000)
    cells = pl.concat(block.cells for block in read_blocks(tmp_path / "snapshots.parquet", "parquet"))
    assert cells["row_number"].to_list() == list(range(1, 150_001))
    assert cells["vehicle_id"].to_list() == names


def test_a_file_that_is_gone_or_may_not_be_read_is_named(store, drop):
    folder = drop(snapshots=SNAPSHOTS, faults="vehicle_id,read_at,code\nv1,2031-01-06T08:00:00Z,P0171\n")

    def vanish(file: str, *_: int) -> None:
        if file == "snapshots.csv":
            (folder / "faults.csv").unlink()

    report = load(store, [folder], progress=vanish)
    assert [file.loaded for file in report.files] == [1, 0]
    assert "faults.csv: No such file or directory. May it be read?" in str(report.files[1].unreadable)


def test_columns_of_parquet_that_differ_by_case_alone_are_kept_apart(store, drop):
    folder = drop(vehicles="vehicle_id,engine_family\nv1,alder\n")
    pl.DataFrame(
        {
            "vehicle_id": ["v1"],
            "VEHICLE_ID": ["v2"],
            "read_at": ["2031-01-06T08:00:00Z"],
            "Boost": [1.0],
            "boost": [2.0],
        }
    ).write_parquet(folder / "snapshots.parquet")
    report = load(store, [folder])
    assert [file.loaded for file in report.files] == [1, 1]
    assert report.files[1].waiting == ("Boost",)


@pytest.mark.parametrize("ending", ["csv.gz", "parquet", "xlsx"])
def test_a_file_that_is_cut_off_is_called_truncated(store, drop, ending):
    folder = drop(vehicles="vehicle_id,engine_family\nv1,alder\n")
    file = folder / f"snapshots.{ending}"
    frame = pl.DataFrame({"vehicle_id": ["v1"] * 99, "read_at": [f"2031-01-01T00:00:{n:02d}Z" for n in range(99)]})
    if ending == "csv.gz":
        file.write_bytes(gzip.compress(frame.write_csv().encode()))
    else:
        (frame.write_parquet if ending == "parquet" else frame.write_excel)(file)
    file.write_bytes(file.read_bytes()[:-40])
    report = load(store, [folder])
    assert report.files[0].loaded == 1
    assert f"snapshots.{ending}: is truncated" in str(report.files[1].unreadable)


@pytest.mark.parametrize(
    ("name", "text"),
    [("snapshots.csv", f"{SNAPSHOTS}v1,2031-01"),
     ("snapshots.ndjson", '{"vehicle_id": "v1", "read_at": "2031-01-06"}\n{"vehicle_id": "v1", "read_at')],
)  # fmt: skip
def test_the_last_row_of_text_that_is_cut_off_is_called_so(store, tmp_path, name, text):
    (tmp_path / name).write_text(text)
    (file,) = load(store, [tmp_path]).files
    assert (file.loaded, file.quarantined) == (1, 1)
    assert quarantined(store)["reason"].to_list() == ["the file ends within the row: is it truncated?"]


def test_a_bad_character_in_a_line_of_json_costs_that_line_and_its_text_is_kept(store, tmp_path):
    good = b'{"vehicle_id": "v1", "read_at": "2031-01-0%d"}\n'
    bad = [
        good.replace(b"v1", b"v\xff") % 2, good.replace(b'"read_at"', b'"\\ud800": 1, "read_at"') % 3,
        good.replace(b'"read_at"', b'"\\u0000": 1, "read_at"') % 4, b"[1]\n", b"null\n", b"{" * 5000 + b"\n",
    ]  # fmt: skip
    (tmp_path / "snapshots.ndjson").write_bytes(
        b"".join([good % 1, *bad, good.replace(b"vehicle_id", b"Vehicle_ID") % 9])
    )
    (file,) = load(store, [tmp_path]).files
    assert (file.loaded, file.quarantined) == (2, 6)
    assert quarantined(store)["row_number"].to_list() == [2, 3, 4, 5, 6, 7]
    assert all(quarantined(store)["original"].str.contains("vehicle_id"))


def test_times_beyond_every_calendar_cost_their_rows(store, drop):
    folder = drop(snapshots=f"{SNAPSHOTS}v1,+38504-01-01T00:00:00Z,1\nv1,0000-01-01T00:00:00Z,1\n")
    far = pl.Series("read_at", [2**60, 0, None]).cast(pl.Datetime("us", "UTC"))
    pl.DataFrame({"vehicle_id": ["v1"] * 3, "in_service": [2**30, 1, 2]}).with_columns(
        far, pl.col("in_service").cast(pl.Date)
    ).write_parquet(folder / "snapshots-far.parquet")
    report = load(store, [folder])
    assert [(file.file, file.loaded, file.quarantined) for file in report.files] == [
        ("snapshots-far.parquet", 0, 3), ("snapshots.csv", 1, 2),
    ]  # fmt: skip
    assert set(quarantined(store)["reason"]) == {
        "not a time of ISO 8601 (2031-02-14T08:30:00Z)", "missing", "not a year in which such a module could be read",
    }  # fmt: skip
