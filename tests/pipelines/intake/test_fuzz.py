"""Whatever bytes a file holds, loading it ends in a report; nothing else is ever raised, and the store stays whole."""

import gzip
import random
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import DropError
from pipelines.intake.files import FORMATS
from pipelines.intake.load import load
from pipelines.intake.reading import read_blocks
from pipelines.store.checking import breaches
from pipelines.store.folder import Store

CELL = st.one_of(
    st.sampled_from(
        ["", "v1", "2031-01-06T08:00:00Z", "1", "1,5", "yes", '"', "NaN", "-inf", "'=1", "\x00", "é", "9" * 400]
    ),
    st.text(max_size=12),
)
SOUND = pl.DataFrame(
    {"vehicle_id": ["v1", "v1"], "read_at": ["2031-01-06T08:00:00Z", "2031-01-13 08:00"], "ltft_b1_idle": [1.5, None]}
)
TABLES = ["snapshots", "vehicles", "faults", "work", "readings", "corrections", "families"]
HEADS = st.sampled_from(
    [
        "vehicle_id",
        "read_at",
        "code",
        "engine_family",
        "ltft_b1_idle",
        "done_at",
        "kind",
        "correction",
        "value",
        "ff_load",
        "load_id",
        "row_number",
        "Vehicle ID",
        "boost",
        "Boost",
        "",
    ]
)


def write_sound(path: Path, ending: str) -> None:
    if ending == ".parquet":
        SOUND.write_parquet(path)
    elif ending in (".ndjson", ".jsonl"):
        SOUND.write_ndjson(path)
    elif ending == ".xlsx":
        SOUND.write_excel(path)
    else:
        text = SOUND.write_csv(separator="\t" if ending == ".tsv" else ",").encode()
        path.write_bytes(gzip.compress(text) if ending == ".csv.gz" else text)


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_cells_in_any_dialect_end_in_a_report(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("fuzz")
    for table in data.draw(st.lists(st.sampled_from(TABLES), min_size=1, max_size=3, unique=True)):
        head = data.draw(st.lists(HEADS, min_size=1, max_size=6))
        rows = data.draw(st.lists(st.lists(CELL, max_size=7), max_size=8))
        separator = data.draw(st.sampled_from([",", ";", "\t"]))
        text = data.draw(st.sampled_from(["\n", "\r\n", "\r"])).join(separator.join(row) for row in [head, *rows])
        encoding = data.draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"]))
        (folder / f"{table}.csv").write_bytes(text.encode(encoding, errors="replace"))
    report = load(Store(folder / "store"), [folder])
    assert report.lines()
    assert breaches(Store(folder / "store")) == []


@pytest.mark.parametrize("ending", sorted(FORMATS))
def test_files_with_flipped_cut_and_added_bytes_are_read_or_refused(tmp_path, ending):
    whole = tmp_path / f"snapshots{ending}"
    write_sound(whole, ending)
    sound, generator = whole.read_bytes(), random.Random(5)  # noqa: S311 (repeatable, not secret)
    for _ in range(40):
        spoilt = bytearray(sound)
        for _ in range(generator.randint(1, 6)):
            spoilt[generator.randrange(len(spoilt))] = generator.randrange(256)
        start = generator.randrange(len(spoilt))
        kind = generator.randrange(3)
        broken = (
            bytes(spoilt[:start])
            if kind == 0
            else bytes(spoilt[:start] + generator.randbytes(9) + spoilt[start:])
            if kind == 1
            else bytes(spoilt)
        )
        whole.write_bytes(broken)
        refusal = ""
        try:
            blocks = list(read_blocks(whole, FORMATS[ending]))
        except DropError as error:
            refusal = str(error)
        assert refusal.startswith(f"snapshots{ending}: ") if refusal else all(block.names for block in blocks)


def test_a_spoilt_file_beside_good_ones_loses_none_of_theirs(tmp_path):
    (tmp_path / "vehicles.csv").write_text("vehicle_id,engine_family\nv1,alder\n")
    write_sound(tmp_path / "snapshots.csv", ".csv")
    pl.DataFrame({"vehicle_id": [["a"], ["b"]], "read_at": [1, 2], "x": [b"\xff", b"1"]}).write_parquet(
        tmp_path / "snapshots-odd.parquet"
    )
    report = load(Store(tmp_path / "store"), [tmp_path])
    assert sum(file.loaded for file in report.files) == 3
    assert sum(file.quarantined for file in report.files) == 2
