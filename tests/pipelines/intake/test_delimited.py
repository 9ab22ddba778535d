"""However a text file is cut into blocks and pieces, and whichever way each is read, the outcome is the same."""

import csv
import io
import random
from pathlib import Path

import pytest

from pipelines.intake import delimited, delimited_rows
from pipelines.intake.load import load
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store
from pipelines.store.published import quarantined

HEADER = ["vehicle_id", "read_at", "odometer_km", "faults_read", "ltft_b1_idle", "calibration"]
ODD = {
    "odometer_km": ["-5", "far", "", "1e4", " 7 ", "9e99"],
    "faults_read": ["maybe", "", "1"],
    "ltft_b1_idle": ["lean", "nan", "-1.50", "1e12", "0"],
    "calibration": ["A, B", 'the "old" one', "two\nlines", "ä", " x "],
}


def text_of(generator: random.Random, *, quoted: bool, rows: int = 60) -> str:
    """A file of sound rows among which some cells are odd and some rows of another length or blank."""
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    writer.writerow(HEADER)
    for number in range(rows):
        row = dict(
            zip(HEADER, [f"v{number % 7}", f"2031-02-{1 + number % 28:02d}", "100", "yes", "1.5", "A"], strict=True)
        )
        if generator.random() < 0.15:
            name = generator.choice(sorted(ODD))
            row[name] = generator.choice([cell for cell in ODD[name] if quoted or not {'"', ",", "\n"} & set(cell)])
        cells = list(row.values())
        writer.writerow(generator.choice([cells] * 20 + [cells[:-1], [*cells, "1"], []]))
    return lines.getvalue()


def outcome(folder: Path, file: Path) -> tuple[list[object], list[object]]:
    """All rows of a new store with the file loaded, and its quarantine with the cells as they came."""
    store = Store(folder)
    load(store, [file])
    with store.reading() as connection:
        rows = frame_of(connection, "SELECT * FROM snapshots ORDER BY ALL").rows()
    aside = quarantined(store).select("row_number", "column_name", "reason", "original").sort("row_number").rows()
    return rows, aside


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
@pytest.mark.parametrize("quoted", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_blocks_and_pieces_give_what_the_whole_file_gives(tmp_path, monkeypatch, seed, quoted, encoding):
    file = tmp_path / "snapshots.csv"
    file.write_bytes(text_of(random.Random(seed), quoted=quoted).encode(encoding))  # noqa: S311 (repeatable)
    whole = outcome(tmp_path / "whole", file)
    monkeypatch.setattr(delimited, "BLOCK_BYTES", 900)
    monkeypatch.setattr(delimited_rows, "PIECE_BYTES", 200)
    monkeypatch.setattr(delimited_rows, "SMALL_BYTES", 60)
    assert outcome(tmp_path / "pieces", file) == whole
    assert whole[0]
    assert whole[1]
