"""Files that are read side by side come to the same, whichever is read first and wherever their blocks end."""

import gzip
import time
from datetime import UTC, datetime

import numpy as np
import pytest

from pipelines import threads
from pipelines.errors import DropError
from pipelines.intake import delimited, delimited_rows, side_by_side
from pipelines.intake import load as loading
from pipelines.intake.load import load
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store

LOADED = datetime(2031, 3, 1, tzinfo=UTC)
TABLES = ["vehicles", "snapshots", "snapshots_replaced", "snapshots_repeated", "quarantine", "flags", "loads"]


@pytest.fixture
def files(drop):
    """A drop whose files bring the same readings again, changed, spoilt, or in other columns."""
    rng = np.random.default_rng(4)
    folder = drop(vehicles="vehicle_id,engine_family\nv0,alder\nv1,alder\nv2,alder\n")
    for number in range(9):
        column = rng.choice(["ltft_b1_idle", "ltft_b1_load"])
        rows = [
            f"v{vehicle},2031-01-{day:02}T08:00:00Z,{rng.choice(['7', '8', '9', '-1', 'x'])},{number}\n"
            for vehicle, day in rng.integers([0, 1], [3, 9], (8, 2))
        ]
        text = f"vehicle_id,read_at,odometer_km,{column}\n{''.join(rows)}"
        (folder / f"snapshots-{number}.csv").write_text(text)
        if number == 4:
            (folder / "snapshots-5x.csv").write_text(text)  # the same again
    (folder / "snapshots-3.csv.gz").write_bytes(gzip.compress(text.encode())[:-9])
    (folder / "snapshots-6.csv").write_text("")
    (folder / "snapshots-7.parquet").write_bytes(b"PAR1 and no more")
    return folder


def stored(store: Store, report) -> tuple:
    with store.reading() as connection:
        tables = [frame_of(connection, f"SELECT * FROM {table} ORDER BY ALL") for table in TABLES]
    return report.lines(verbose=True), [table.rows() for table in tables]


def test_the_order_in_which_files_are_read_does_not_matter(files, tmp_path, monkeypatch):
    expected = stored(Store(tmp_path / "one"), load(Store(tmp_path / "one"), [files], loaded_at=LOADED))
    assert "truncated" in str(expected)
    for place, size in ((delimited, 90), (delimited_rows, 60)):
        monkeypatch.setattr(place, "BLOCK_BYTES" if place is delimited else "SMALL_BYTES", size)
    rng, hashed = np.random.default_rng(1), loading.content_hash

    def late(*given):
        time.sleep(0.01 * rng.random())
        return hashed(*given)

    monkeypatch.setattr(loading, "content_hash", late)
    for number, (first_rows, first_bytes, large) in enumerate([(1, 2**20, 0), (99, 0, 2**20)]):
        monkeypatch.setattr(threads, "THREADS", number + 2)
        monkeypatch.setattr(side_by_side, "FIRST_ROWS", first_rows)
        monkeypatch.setattr(side_by_side, "FIRST_BYTES", first_bytes)
        monkeypatch.setattr(side_by_side, "LARGE_BYTES", large)
        store = Store(tmp_path / f"again{number}")
        assert stored(store, load(store, [files], loaded_at=LOADED)) == expected


def test_what_no_file_is_at_fault_for_ends_the_load_and_leaves_nothing(files, tmp_path, monkeypatch):
    monkeypatch.setattr(loading, "read_blocks", lambda *_, **__: (_ for _ in ()).throw(MemoryError))
    with pytest.raises(MemoryError):
        load(Store(tmp_path / "store"), [files])
    assert not Store(tmp_path / "store").exists()
    with pytest.raises(DropError):
        load(Store(tmp_path / "store"), [files / "none"])
