"""Files of a drop in any of the contract's formats -> frames of cells with row numbers; no meaning of a column here."""

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import fastexcel
import polars as pl

from pipelines.errors import DropError, EmptyError
from pipelines.intake.blocks import BOOKKEEPING, CELLS, ROW, Block
from pipelines.intake.delimited import FOUND_OUT, Layout, read_delimited

PARQUET_ROWS = 400_000  # rows of a Parquet or NDJSON file held at once


def read_blocks(
    path: Path,
    file_format: str,
    *,
    types: Callable[[list[str]], Mapping[str, pl.DataType]] = lambda header: {},  # noqa: ARG005 (all as text)
    layout: Layout = FOUND_OUT,
) -> Iterator[Block]:
    """The file's rows in blocks of bounded size.

    Args:
        path: The file.
        file_format: `csv`, `parquet`, `ndjson` or `xlsx`.
        types: Given the header, the types of columns that may be read as numbers at once (csv only).
        layout: How a text file is written, where it cannot be found out.

    Raises:
        EmptyError: the file holds nothing, not even a header.
        DropError: the file is not what its ending says.
    """
    if file_format == "csv":
        yield from read_delimited(path, types=types, layout=layout)
        return
    reader = {"parquet": _parquet, "ndjson": _ndjson, "xlsx": _xlsx}[file_format]
    if not path.stat().st_size:
        raise EmptyError(f"{path.name}: is empty. Nothing to load.")
    try:
        for cells in reader(path):
            yield Block(cells=cells)
    except (OSError, pl.exceptions.PolarsError, fastexcel.FastExcelError, ValueError, RuntimeError) as error:
        text = " ".join(str(error).split())[:160]
        raise DropError(
            f"{path.name}: cannot be read as {file_format} ({text}). Is it what its ending says?"
        ) from error


def _parquet(path: Path) -> Iterator[pl.DataFrame]:
    scan = pl.scan_parquet(path, glob=False)
    rows = scan.select(pl.len()).collect().item()
    names = scan.collect_schema().names()
    taken = {name: f"{name} (column)" for name in names if name in BOOKKEEPING}
    for start in range(0, max(rows, 1), PARQUET_ROWS):
        cells = scan.slice(start, PARQUET_ROWS).collect().rename(taken)
        yield cells.with_columns(
            pl.col(pl.Categorical, pl.Enum).cast(pl.String),
            (pl.int_range(pl.len(), dtype=pl.Int64) + start + 1).alias(ROW),
        )


def _ndjson(path: Path) -> Iterator[pl.DataFrame]:
    with path.open("rb") as stream:
        lines: list[tuple[int, bytes]] = []
        number = 0
        for number, line in enumerate(stream, start=1):
            lines.append((number, line.removeprefix(b"\xef\xbb\xbf")))
            if len(lines) == PARQUET_ROWS:
                yield _objects(lines)
                lines = []
    if lines or not number:
        yield _objects(lines)


def _objects(lines: list[tuple[int, bytes]]) -> pl.DataFrame:
    """Rows of text cells, one per line; a line that is no JSON object is a row of one cell too few."""
    rows = [(number, _object(line)) for number, line in lines if line.strip()]
    names = dict.fromkeys(name for _, row in rows if row is not None for name in row)
    columns = [
        pl.Series(name, [None if row is None else row.get(name) for _, row in rows], dtype=pl.String) for name in names
    ]
    if not names:
        raise ValueError("no line is a JSON object with names")
    broken = [None if row is not None else 0 for _, row in rows]
    return pl.DataFrame(
        [*columns, pl.Series(CELLS, broken, dtype=pl.Int64), pl.Series(ROW, [n for n, _ in rows], dtype=pl.Int64)]
    )


def _object(line: bytes) -> dict[str, str | None] | None:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(row, dict):
        return None
    return {name: _cell(value) for name, value in row.items() if name not in BOOKKEEPING}


def _cell(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value if value is None else value.encode("utf-8", errors="replace").decode()
    return json.dumps(value)


def _xlsx(path: Path) -> Iterator[pl.DataFrame]:
    sheet = fastexcel.read_excel(path).load_sheet(0, dtypes="string", skip_whitespace_tail_rows=False)
    cells = sheet.to_polars()
    names = {
        name: f"{name.strip()} (column)" if name.strip() in BOOKKEEPING else name.strip() for name in cells.columns
    }
    yield cells.rename(names).with_columns((pl.int_range(pl.len(), dtype=pl.Int64) + 2).alias(ROW))
