"""Reads a foreign file by its mapping into blocks of a contract table's cells, as if it had been written so."""

from collections.abc import Iterator

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError, EmptyError, SettingError
from pipelines.intake.apart import Apart
from pipelines.intake.blocks import CELLS, LOAD, ROW, Block, frame_of_blocks
from pipelines.intake.delimited import Layout
from pipelines.intake.files import SourceFile
from pipelines.intake.foreign import map_cells
from pipelines.intake.limits import Limits
from pipelines.intake.mapping import Mapping
from pipelines.intake.reading import read_blocks


def foreign_cells(
    file: SourceFile, mapping: Mapping, *, limits: Limits | None = None, apart: Apart | None = None
) -> tuple[pl.DataFrame, bool]:
    """All cells of a foreign file, and whether a comma in its numbers is the decimal sign.

    Args:
        file: The file.
        mapping: How it is written.
        limits: The most that it may hold; None: as the environment sets them.
        apart: The process in which sheets are read; None: this one.

    Raises:
        DropError: the file cannot be read.
    """
    layout = Layout(separator=mapping.separator, skip_lines=mapping.skip_lines, short_rows=mapping.short_rows)
    if file.refused:
        raise DropError(f"{file.name}: {file.refused}")
    blocks = list(read_blocks(file.path, file.format, layout=layout, limits=limits, apart=apart))
    if not blocks:
        raise EmptyError(f"{file.name}: holds no row below its header. Nothing to load.")
    return frame_of_blocks([(block.cells, 0) for block in blocks]).sort(ROW), blocks[0].decimal_comma


def mapped_blocks(
    file: SourceFile,
    mapping: Mapping,
    *,
    units: dict[str, str],
    time_zone: str,
    limits: Limits | None = None,
    apart: Apart | None = None,
) -> Iterator[Block]:
    """The file's rows as rows of the mapping's table; for `limits` and `apart` see `foreign_cells`.

    Raises:
        DropError: the file cannot be read, or does not hold what the mapping says.
    """
    cells, decimal_comma = foreign_cells(file, mapping, limits=limits, apart=apart)
    try:
        mapped = map_cells(
            cells, mapping, units=units, file=file.name, decimal_comma=decimal_comma, time_zone=time_zone
        )
    except SettingError as error:
        raise DropError(f"{file.name}: {error}") from error
    if not mapping.aggregates:
        mapped = mapped.hstack(cells.select(CELLS))
    yield Block(cells=mapped.drop(LOAD, strict=False))


def units_of(table: str, catalogue: pl.DataFrame) -> dict[str, str]:
    """Unit of each numeric column of a table, and of each correction where the table takes them."""
    units = {c.name: c.unit for c in drop_tables()[table].columns if c.dtype in ("float", "int")}
    if table == "snapshots":
        units |= dict(catalogue.select("code", pl.col("unit").fill_null("")).iter_rows())
    return units
