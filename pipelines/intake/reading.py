"""Files of a drop in any of the contract's formats -> frames of cells with row numbers; no meaning of a column here."""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import polars as pl

from pipelines.catalogue.names import printable
from pipelines.errors import DropError, EmptyError
from pipelines.intake.apart import Apart
from pipelines.intake.blocks import Block
from pipelines.intake.delimited import FOUND_OUT, Layout, read_delimited
from pipelines.intake.limits import Limits, limits_from
from pipelines.intake.ndjson import read_ndjson
from pipelines.intake.xlsx import read_xlsx

# What readers raise of a file that is not what it should be.
UNREADABLE = (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException, ValueError, RuntimeError)


def read_blocks(
    path: Path,
    file_format: str,
    *,
    types: Callable[[list[str]], Mapping[str, pl.DataType]] = lambda header: {},  # noqa: ARG005 (all as text)
    layout: Layout = FOUND_OUT,
    limits: Limits | None = None,
    apart: Apart | None = None,
) -> Iterator[Block]:
    """The file's rows in blocks of bounded size.

    Args:
        path: The file.
        file_format: `csv`, `parquet`, `ndjson` or `xlsx`.
        types: Given the header, the types of columns that may be read as numbers at once (csv only).
        layout: How a text file is written, where it cannot be found out.
        limits: The most that it may hold; None: as the environment sets them.
        apart: The process in which sheets are read; None: this one, which is a process of its own.

    Raises:
        EmptyError: the file holds nothing, not even a header.
        DropError: the file is not what its ending says, or holds more than it may.
    """
    limits = limits or limits_from()
    name = printable(path.name)
    try:
        if not path.stat().st_size:
            raise EmptyError(f"{name}: is empty. Nothing to load.")
        if file_format == "csv":
            yield from read_delimited(path, types=types, layout=layout, limits=limits)
        elif file_format == "xlsx":
            read = partial(read_xlsx, glued=layout.glued, skip_lines=layout.skip_lines)
            yield Block(cells=apart.run(name, read, path, limits) if apart else read(path, limits))
        elif file_format == "parquet":
            from pipelines.intake.parquet import read_parquet  # noqa: PLC0415 (its library only where it is needed)

            yield from (Block(cells=cells) for cells in read_parquet(path, limits))
        else:
            yield from (Block(cells=cells) for cells in read_ndjson(path, limits, nested=layout.glued))
    except UNREADABLE as error:
        text = " ".join(str(error).split())[:160]
        raise DropError(f"{name}: cannot be read as {file_format} ({text}). Is it what its ending says?") from error
