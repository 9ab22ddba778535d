"""Good files of every table and format, and ways to spoil them; each spoilt file follows from a recipe of one line.

A recipe is `form/table/way/number`, such as `csv/snapshots/cut/17`: what is found once is kept as its recipe.
"""

import gzip
import io
import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

ROWS = 30
Cells = list[list[str]]  # the header and the rows below it

COLUMNS = {
    "snapshots": ["vehicle_id", "read_at", "ignition_hours", "odometer_km", "faults_read", "calibration",
                  "ltft_b1_idle", "ltft_b1_low", "boost"],
    "vehicles": ["vehicle_id", "engine_family", "vin", "model_year", "depot", "in_service_on"],
    "faults": ["vehicle_id", "read_at", "code", "occurrences", "confirmed", "ff_engine_load"],
    "work": ["vehicle_id", "done_at", "kind", "component", "labour_hours", "note"],
    "readings": ["vehicle_id", "read_at", "correction", "value"],
    "corrections": ["code", "title", "unit", "neutral", "low_limit", "high_limit", "resolution"],
}  # fmt: skip
ENDINGS = {
    "csv": "csv", "semicolons": "csv", "tabs": "tsv", "utf16": "csv", "cp1252": "csv", "returns": "csv",
    "gzip": "csv.gz", "parquet": "parquet", "ndjson": "ndjson", "xlsx": "xlsx",
}  # fmt: skip
NOTES = ["plain", "a, b", 'the "old" one', "Mühle; 2", "two\nlines"]
VALUES = {
    "vehicle_id": "v{vehicle}", "engine_family": "alder", "read_at": "2031-02-{day:02d}T{hour:02d}:00:00Z",
    "done_at": "2031-02-{day:02d}T{hour:02d}:30:00Z", "ignition_hours": "{n}.5", "odometer_km": "100{n}.5",
    "faults_read": "true", "calibration": "A{few}", "boost": "{n}", "ltft_b1_idle": "{real}", "ltft_b1_low": "-1.5",
    "vin": "1M8GDM9AXKP042788", "model_year": "2024", "depot": "Mühle", "in_service_on": "2029-01-31",
    "faults.code": "P{code}", "corrections.code": "extra_{n}", "occurrences": "{n}", "confirmed": "yes",
    "ff_engine_load": "{n}.5", "kind": "repair", "component": "part {n}", "labour_hours": "1.5", "note": "{note}",
    "correction": "extra_{few}", "value": "{real}", "title": "{note}", "unit": "%", "neutral": "0", "low_limit": "-25",
    "high_limit": "25", "resolution": "0.1",
}  # fmt: skip
ODD_NAMES = ["load_id", "row_number", "arrival", "module", "*", "^.*$", "", " ", "a\x00b", "\x1b[31m", "x" * 300,
             "VEHICLE_ID", "vehicle_id", "read at", "ff_a", "FF A", "Boost", "quarantine_id", "é\u202e", "a before",
             "a.b[0]", '"', "session"]  # fmt: skip
ODD_CELLS = ["", " ", "nan", "-inf", "1e400", "9" * 400, "-", "1,5", "1.234,5", "true", "ja", "0x1F", "\x00",
             "\x1b]0;x", "2031-13-45", "0000-00-00", "9999-12-31T23:59:59Z", "2031-02-30T25:00",
             "-292277022399-01-01T00:00:00Z",
             "2031-01-06T08:00:00+99:00", '"', '""', '"open', 'close"', "a\nb", "a,b;c\td", "=1+1", "'=1", "x" * 40_000,
             "\ufeff", "\u202e", "\ud83d\ude00".encode("utf-16", "surrogatepass").decode("utf-16"), "1e-320", "P0171",
             "[1, 2]", '{"a": 1}', "\\N", "\\u0000", "NULL", "12:34:56", "٣"]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """What a spoilt file is made of, and how."""

    form: str
    table: str
    way: str
    number: int

    def __str__(self) -> str:
        return f"{self.form}/{self.table}/{self.way}/{self.number}"

    @property
    def ending(self) -> str:
        """What its file name ends with."""
        return ENDINGS[self.form]

    def content(self) -> bytes:
        """The spoilt file."""
        dice = np.random.default_rng([self.number, *f"{self.form}/{self.table}/{self.way}".encode()])
        cells = good_cells(self.table, dice)
        if self.way in CELL_WAYS:
            CELL_WAYS[self.way](cells, dice)
        if self.way == "types":
            return with_odd_types(cells, dice)
        content = FORMS[self.form](cells)
        return BYTE_WAYS[self.way](content, dice) if self.way in BYTE_WAYS else content


def parsed(text: str) -> Recipe:
    """The recipe of a line."""
    form, table, way, number = text.split("/")
    return Recipe(form=form, table=table, way=way, number=int(number))


def drawn(number: int) -> Recipe:
    """The recipe of a number: forms, tables and ways take turns, in an order without a pattern."""
    dice = np.random.default_rng(number)
    form, table = pick(dice, list(ENDINGS)), pick(dice, list(COLUMNS))
    ways = [*CELL_WAYS, *BYTE_WAYS, *BYTE_WAYS, *(["types"] * 4 if form == "parquet" else [])]
    return Recipe(form=form, table=table, way=pick(dice, ways), number=number)


def pick(dice: np.random.Generator, among: list[str]) -> str:
    """One of them."""
    return among[int(dice.integers(len(among)))]


def good_cells(table: str, dice: np.random.Generator) -> Cells:
    """A sound table; some cells hold what must be quoted."""
    cells = [list(COLUMNS[table])]
    for n in range(ROWS):
        row = {"n": n, "day": 1 + n % 28, "hour": n % 24, "code": f"{n:04d}", "note": NOTES[n % len(NOTES)]}
        row |= {"real": f"{dice.normal():.2f}", "vehicle": n if table == "vehicles" else n % 7, "few": n % 5}
        cells.append([VALUES[f"{table}.{name}" if f"{table}.{name}" in VALUES else name].format(**row)
                      for name in COLUMNS[table]])  # fmt: skip
    return cells


def _delimited(cells: Cells, *, separator: str = ",", comma: bool = False, encoding: str = "utf-8") -> bytes:
    def written(cell: str) -> str:
        cell = cell.replace(".", ",") if comma and cell.replace(".", "").isdecimal() else cell
        return f'"{cell.replace(chr(34), chr(34) * 2)}"' if any(c in cell for c in f'{separator}"\n') else cell

    text = "".join(separator.join(map(written, row)) + "\n" for row in cells)
    return text.encode(encoding, errors="replace")


def _frame(cells: Cells) -> pl.DataFrame:
    names = [f"{name}{place}" if name in cells[0][:place] else name for place, name in enumerate(cells[0])]
    width = len(names)
    rows = [[*row[:width], *[""] * (width - len(row))] for row in cells[1:]]
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")


def _parquet(cells: Cells) -> bytes:
    target = io.BytesIO()
    frame = _frame(cells)
    numbers = [c.name for c in frame.iter_columns() if c.cast(pl.Float64, strict=False).null_count() == 0]
    frame.with_columns(pl.col(name).cast(pl.Float64) for name in numbers if name and name[0] not in "^*").write_parquet(
        target
    )
    return target.getvalue()


def _ndjson(cells: Cells) -> bytes:
    return "".join(json.dumps(dict(zip(cells[0], row, strict=False))) + "\n" for row in cells[1:]).encode()


def _xlsx(cells: Cells) -> bytes:
    import xlsxwriter  # noqa: PLC0415 (only here)

    target = io.BytesIO()
    book = xlsxwriter.Workbook(target, {"in_memory": True, "strings_to_numbers": True, "nan_inf_to_errors": True,
                                        "strings_to_formulas": False, "strings_to_urls": False})  # fmt: skip
    sheet = book.add_worksheet()
    for number, row in enumerate(cells):
        for place, cell in enumerate(row):
            sheet.write_string(number, place, cell[:32_000]) if number == 0 else sheet.write(
                number, place, cell[:32_000]
            )
    book.close()
    return target.getvalue()


FORMS: dict[str, Callable[[Cells], bytes]] = {
    "csv": _delimited,
    "semicolons": lambda cells: _delimited(cells, separator=";", comma=True),
    "tabs": lambda cells: _delimited(cells, separator="\t"),
    "utf16": lambda cells: _delimited(cells, encoding="utf-16"),
    "cp1252": lambda cells: _delimited(cells, separator=";", encoding="cp1252"),
    "returns": lambda cells: _delimited(cells).replace(b"\n", b"\r\n"),
    "gzip": lambda cells: gzip.compress(_delimited(cells), mtime=0),
    "parquet": _parquet,
    "ndjson": _ndjson,
    "xlsx": _xlsx,
}


def with_odd_types(cells: Cells, dice: np.random.Generator) -> bytes:
    """Parquet whose columns have types that no contract asks for."""
    frame = _frame(cells)
    numbers = pl.Series(range(frame.height))
    kinds: list[Callable[[], pl.Series]] = [
        lambda: numbers.cast(pl.Decimal(38, 9)), lambda: numbers.cast(pl.Duration("ms")), lambda: numbers.cast(pl.Time),
        lambda: numbers.cast(pl.UInt64) + 2**63, lambda: pl.Series([[1, 2]] * frame.height),
        lambda: numbers.cast(pl.Date), lambda: pl.Series([{"a": 1, "b": [None]}] * frame.height),
        lambda: pl.Series([b"\xff\x00"] * frame.height),
        lambda: pl.Series([None] * frame.height), lambda: numbers.cast(pl.String).cast(pl.Categorical),
        lambda: numbers.cast(pl.Datetime("ns", "Europe/Berlin")), lambda: numbers.cast(pl.Datetime("ms")),
        lambda: (numbers + 2**60).cast(pl.Datetime("us")), lambda: pl.Series([float("nan"), *[1e308] * 29]),
        lambda: numbers.cast(pl.Int8), lambda: pl.Series([True] * frame.height),
        lambda: (numbers * -(2**26)).cast(pl.Date),
    ]  # fmt: skip
    for name in frame.columns:
        if dice.random() < 0.4:
            frame = frame.with_columns(kinds[int(dice.integers(len(kinds)))]().alias(name))
    target = io.BytesIO()
    frame.write_parquet(target)
    return target.getvalue()


def _odd_header(cells: Cells, dice: np.random.Generator) -> None:
    for _ in range(int(dice.integers(1, 3))):
        cells[0][int(dice.integers(len(cells[0])))] = pick(dice, ODD_NAMES)


def _doubled_header(cells: Cells, dice: np.random.Generator) -> None:
    name = pick(dice, cells[0])
    cells[0].append(name.upper() if dice.random() < 0.5 else name)
    for row in cells[1:]:
        row.append("1")


def _header_again(cells: Cells, dice: np.random.Generator) -> None:
    cells.insert(int(dice.integers(len(cells))), list(cells[0]))


def _odd_cells(cells: Cells, dice: np.random.Generator) -> None:
    for _ in range(int(dice.integers(1, 12))):
        row = cells[int(dice.integers(1, len(cells)))]
        row[int(dice.integers(len(row)))] = pick(dice, ODD_CELLS)


def _odd_column(cells: Cells, dice: np.random.Generator) -> None:
    place, cell = int(dice.integers(len(cells[0]))), pick(dice, ODD_CELLS)
    for row in cells[1:]:
        row[place] = cell


def _moved_cells(cells: Cells, dice: np.random.Generator) -> None:
    for _ in range(int(dice.integers(1, 6))):
        row = cells[int(dice.integers(len(cells)))]
        row.insert(int(dice.integers(len(row))), "") if dice.random() < 0.5 else row.pop(int(dice.integers(len(row))))
        if not row:
            row.append("")


def _moved_columns(cells: Cells, dice: np.random.Generator) -> None:
    order = dice.permutation(len(cells[0]))
    for row in cells[1:]:
        row[:] = [row[place] for place in order]


def _many_columns(cells: Cells, dice: np.random.Generator) -> None:
    for number in range(int(dice.integers(50, 400))):
        cells[0].append(f"col {number}" if number % 2 else f"col_{number}")
        for row in cells[1:]:
            row.append("1.5")


CELL_WAYS: dict[str, Callable[[Cells, np.random.Generator], None]] = {
    "odd_header": _odd_header, "doubled_header": _doubled_header, "header_again": _header_again,
    "odd_cells": _odd_cells, "odd_column": _odd_column, "moved_cells": _moved_cells, "moved_columns": _moved_columns,
    "many_columns": _many_columns,
}  # fmt: skip


def _flipped(content: bytes, dice: np.random.Generator) -> bytes:
    spoilt = bytearray(content)
    for _ in range(int(dice.integers(1, 9))):
        spoilt[int(dice.integers(len(spoilt)))] = int(dice.integers(256))
    return bytes(spoilt)


def _flipped_end(content: bytes, dice: np.random.Generator) -> bytes:
    """In the last bytes, where Parquet and zip keep what the others mean."""
    near = min(len(content), 600)
    return content[:-near] + _flipped(content[-near:], dice)


def _cut(content: bytes, dice: np.random.Generator) -> bytes:
    return content[: int(dice.integers(len(content)))]


def _hole(content: bytes, dice: np.random.Generator) -> bytes:
    start = int(dice.integers(len(content)))
    return content[:start] + content[start + int(dice.integers(1, 200)) :]


def _repeated(content: bytes, dice: np.random.Generator) -> bytes:
    start = int(dice.integers(len(content)))
    part = content[start : start + int(dice.integers(1, 400))]
    return content[:start] + part * int(dice.integers(2, 50)) + content[start:]


def _strewn(content: bytes, dice: np.random.Generator) -> bytes:
    start = int(dice.integers(len(content)))
    return content[:start] + dice.bytes(int(dice.integers(1, 60))) + content[start:]


def _quoted(content: bytes, dice: np.random.Generator) -> bytes:
    for _ in range(int(dice.integers(1, 4))):
        start = int(dice.integers(len(content)))
        content = content[:start] + b'"' + content[start:]
    return content


def _zeroed(content: bytes, dice: np.random.Generator) -> bytes:
    start, size = int(dice.integers(len(content))), int(dice.integers(1, 100))
    return content[:start] + bytes(size) + content[start + size :]


def _twice(content: bytes, dice: np.random.Generator) -> bytes:
    return content * int(dice.integers(2, 4))


BYTE_WAYS: dict[str, Callable[[bytes, np.random.Generator], bytes]] = {
    "flip": _flipped, "flip_end": _flipped_end, "cut": _cut, "hole": _hole, "repeat": _repeated, "strew": _strewn,
    "quote": _quoted, "zero": _zeroed, "twice": _twice,
}  # fmt: skip
