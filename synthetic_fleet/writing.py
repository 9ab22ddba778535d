"""Files of the drops and of the truth, written block after block; nothing of a block is kept."""

from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from synthetic_fleet.block import Calendar, Lived
from synthetic_fleet.constants import Constants
from synthetic_fleet.frames import Sheet, fault_frame, snapshot_frame, vehicle_frame, work_frame
from synthetic_fleet.tables import fleet_tables, planning
from synthetic_fleet.truth import PIECES

STAMP = "%Y-%m-%dT%H:%M:%SZ"
UNORDERED = "unordered"


class Writer:
    """Writes a fleet below a folder: `YYYY-MM/TABLE-YYYY-MM-BLOCK.ending` and `truth/TABLE/TABLE-BLOCK.parquet`."""

    def __init__(
        self,
        out: Path,
        constants: Constants,
        calendar: Calendar,
        seed: int,
        *,
        file_format: str,
        codes: tuple[str, ...],
    ) -> None:
        self.out, self.constants, self.calendar, self.seed = out, constants, calendar, seed
        self.file_format, self.codes = file_format, codes
        (out / "truth").mkdir(parents=True, exist_ok=True)

    def drops(self, lived: Lived, sheet: Sheet) -> list[dict[str, Any]]:
        """Write one block's rows into every month's folder; the dirt put on whole files."""
        pieces: list[dict[str, Any]] = []
        frames = {
            "snapshots": snapshot_frame(sheet, self.codes),
            "faults": fault_frame(lived, sheet, self.constants),
            "work": work_frame(lived),
            "vehicles": vehicle_frame(lived, self.constants, self.calendar),
        }
        for table, frame in frames.items():
            for (month,), part in frame.partition_by("delivered", as_dict=True, include_key=False).items():
                pieces += self._file(table, part, f"{month:%Y-%m}" if isinstance(month, date) else "", lived.number)
        for table, frame in planning(lived, self.calendar, self.seed).items():
            frame.write_csv(self._folder(self._last_month()) / f"{table}-{lived.number:04d}.csv", datetime_format=STAMP)
        return pieces

    def once(self) -> None:
        """Write what describes the fleet as a whole into the first month's folder, and what the truth's tables mean."""
        meanings = files("synthetic_fleet").joinpath("truth.md").read_text(encoding="utf-8")
        (self.out / "truth" / "README.md").write_text(meanings, encoding="utf-8")
        folder = self._folder(f"{self.calendar.start:%Y-%m}")
        for name, frame in fleet_tables(self.constants, self.calendar, self.seed).items():
            frame.write_csv(folder / f"{name}.csv", datetime_format=STAMP)

    def truth(self, name: str, frame: pl.DataFrame, number: int) -> None:
        """Write one block's rows of a table of the truth."""
        folder = self.out / "truth" / name
        folder.mkdir(exist_ok=True)
        frame.write_parquet(folder / f"{name}-{number:04d}.parquet")

    def _last_month(self) -> str:
        return str(self.calendar.times(np.array([self.calendar.days - 1])).astype("datetime64[M]")[0])

    def _folder(self, month: str) -> Path:
        folder = self.out / month
        folder.mkdir(exist_ok=True)
        return folder

    def _file(self, table: str, frame: pl.DataFrame, month: str, number: int) -> list[dict[str, Any]]:
        """Write one file, now and then with dirt that goes through all of it."""
        rates, name = self.constants.scenario["dirt"], f"{table}-{month}-{number:04d}"
        rng = np.random.default_rng([self.seed, number, *name.encode()])
        chance = rng.random(6)
        found: list[tuple[str, str | None]] = []
        dirty = rates["enabled"] and table in ("snapshots", "work")
        if dirty and chance[0] < rates["unordered_per_file"]:
            frame = frame[rng.permutation(frame.height)]
            found.append((UNORDERED, None))
        if dirty and table == "snapshots" and chance[1] < rates["missing_columns_per_file"]:
            gone = [str(code) for code in rng.choice(self.codes, min(len(self.codes) - 1, 5), replace=False)]
            frame = frame.drop(gone)
            found.append(("missing_columns", ", ".join(sorted(gone))))
        path = self._folder(month) / name
        as_csv = self.file_format == "csv" or table in ("work", "vehicles")
        if dirty and table == "snapshots" and chance[2] < rates["decimal_comma_per_file"]:
            path = path.with_suffix(".csv")
            frame.write_csv(path, separator=";", decimal_comma=True, datetime_format=STAMP)
            found.append(("decimal_comma", None))
        elif as_csv:
            path = path.with_suffix(".csv")
            encoding = "utf-8"
            if dirty and table == "work" and chance[3] < rates["windows_1252_per_file"]:
                encoding = "cp1252"
                found.append(("windows_1252", None))
            elif dirty and table == "work" and chance[4] < rates["byte_order_mark_per_file"]:
                encoding = "utf-8-sig"
                found.append(("byte_order_mark", None))
            path.write_bytes(frame.write_csv(datetime_format=STAMP).encode(encoding))
        else:
            path = path.with_suffix(".parquet")
            frame.write_parquet(path)
        return [{"kind": kind, "file": f"{month}/{path.name}", "detail": detail} for kind, detail in found]


def pieces_frame(pieces: list[dict[str, Any]]) -> pl.DataFrame:
    """The truth's `dirt`: one row a piece, times in UTC."""
    rows = [{name: piece.get(name) for name in PIECES} for piece in pieces]
    frame = pl.DataFrame(rows, schema=PIECES)
    return frame.with_columns(pl.col("from_at", "to_at").dt.replace_time_zone("UTC"))
