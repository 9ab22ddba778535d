"""Reads a foreign file by its mapping into blocks of a contract table's cells, as if it had been written so."""

from collections.abc import Iterator

import polars as pl

from pipelines.catalogue.names import printable
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError, EmptyError, SettingError
from pipelines.intake.apart import Apart
from pipelines.intake.blocks import CELLS, LOAD, ROW, Block, frame_of_blocks
from pipelines.intake.casting import GROUPED, Reading, cast
from pipelines.intake.delimited import Layout
from pipelines.intake.files import SourceFile
from pipelines.intake.foreign import LEAST_OF, MOST_OF, ROWS_OF, map_cells
from pipelines.intake.limits import Limits
from pipelines.intake.mapping import LongForm, Mapping
from pipelines.intake.reading import read_blocks
from pipelines.intake.report import CROWDED, CROWDED_SHARE

NTH = " nth"  # measurement of one name in one reading; no header's name, which has its blanks taken away


def foreign_cells(
    file: SourceFile,
    mapping: Mapping,
    *,
    most_rows: int | None = None,
    limits: Limits | None = None,
    apart: Apart | None = None,
) -> tuple[pl.DataFrame, bool]:
    """All cells of a foreign file, and whether a comma in its numbers is the decimal sign.

    Args:
        file: The file.
        mapping: How it is written.
        most_rows: Rows after which no more are read, give or take a block; None: all are.
        limits: The most that it may hold; None: as the environment sets them.
        apart: The process in which sheets are read; None: this one.

    Raises:
        DropError: the file cannot be read.
    """
    layout = Layout(
        separator=mapping.separator, skip_lines=mapping.skip_lines, short_rows=mapping.short_rows, glued=True
    )
    if file.refused:
        raise DropError(f"{file.name}: {file.refused}")
    blocks, rows = [], 0
    for block in read_blocks(file.path, file.format, layout=layout, limits=limits, apart=apart):
        blocks.append(block)
        rows += block.height
        if most_rows is not None and rows >= most_rows:
            break
    if not blocks:
        raise EmptyError(f"{file.name}: holds no row below its header. Nothing to load.")
    cells = frame_of_blocks([(block.cells, 0) for block in blocks]).sort(ROW)
    return (widened(cells, mapping.long, file.name) if mapping.long else cells), blocks[0].decimal_comma


def widened(cells: pl.DataFrame, form: LongForm, file: str) -> pl.DataFrame:
    """Cells with one measured value a row as one row a reading: a column a name, each cell with its unit after it.

    Raises:
        DropError: the file lacks a column that the form names.
    """
    named = [form.name, form.value, *form.by, *([form.unit] if form.unit else [])]
    if lacking := [name for name in named if name not in cells.columns]:
        raise DropError(
            f"{file}: lacks the column '{printable(lacking[0])}' of the mapping, [long]. Check the mapping."
        )
    typed = cells[form.value].dtype.is_float()
    texts = cells.with_columns(pl.col(named).cast(pl.String).str.strip_chars())
    if typed:  # as `unmistakable` writes it: neither sign is read anew
        number = pl.col(form.value)
        mistakable = pl.when(number.str.contains(GROUPED)).then(pl.format("{}0", number)).otherwise(number)
        texts = texts.with_columns(mistakable.alias(form.value))
    value, unit = pl.col(form.value), pl.col(form.unit).fill_null("") if form.unit else pl.lit("")
    texts = texts.with_columns(
        pl.when(unit != "").then(pl.format("{} {}", value, unit)).otherwise(value).alias(form.value),
        pl.col(form.name).fill_null(""),
    ).filter(pl.col(form.name) != "")
    nth = texts.with_columns(pl.int_range(pl.len()).over(*form.by, form.name).alias(NTH))
    index = [*form.by, NTH]
    wide = nth.pivot(form.name, index=index, values=form.value, aggregate_function="first", maintain_order=True)
    rows = nth.group_by(index, maintain_order=True).agg(pl.col(ROW).first())
    bookkeeping = pl.lit(None, dtype=pl.Int64).alias(CELLS), pl.lit(0, dtype=pl.Int32).alias(LOAD)
    return wide.join(rows, on=index, how="left", nulls_equal=True).drop(NTH).with_columns(*bookkeeping).sort(ROW)


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
    mapped = made_of(cells, file, mapping, units=units, decimal_comma=decimal_comma, time_zone=time_zone)
    if not mapping.aggregates:
        _refuse_many_on_a_key(mapped, file, mapping)
        mapped = mapped.hstack(cells.select(CELLS))
    beside = [name for name in mapped.columns if name.endswith((ROWS_OF, LEAST_OF, MOST_OF))]
    rests_on = log_values(mapped, Reading(time_zone=time_zone)) if beside else None
    yield Block(cells=mapped.drop(LOAD, *beside, strict=False), log_values=rests_on)


def log_values(rows: pl.DataFrame, how: Reading) -> pl.DataFrame:
    """What the values of a log's readings rest on: vehicle_id, read_at, column_name, row_count, least, most.

    Args:
        rows: As `map_cells` makes them of a log.
        how: How times are written.
    """
    keys = [cast(rows["vehicle_id"], "text", how), cast(rows["read_at"], "time", how)]
    parts = [
        pl.DataFrame([
            *keys, pl.Series("column_name", [name], dtype=pl.String).new_from_index(0, rows.height),
            rows[f"{name}{ROWS_OF}"].cast(pl.Int64).alias("row_count"), rows[f"{name}{LEAST_OF}"].alias("least"),
            rows[f"{name}{MOST_OF}"].alias("most"),
        ]).filter(rows[name].is_not_null())
        for name in (each.removesuffix(ROWS_OF) for each in rows.columns if each.endswith(ROWS_OF))
    ]  # fmt: skip
    return pl.concat(parts)


def made_of(
    cells: pl.DataFrame,
    file: SourceFile,
    mapping: Mapping,
    *,
    units: dict[str, str],
    decimal_comma: bool,
    time_zone: str,
) -> pl.DataFrame:
    """What a mapping makes of a file's cells: see `map_cells`.

    Raises:
        DropError: the file does not hold what the mapping says, or its cells cannot be read in this way.
    """
    unknown = [column.to for column in mapping.columns if not _known(column.to, mapping.table, units)]
    if unknown:
        raise DropError(
            f"{file.name}: the mapping makes {printable(unknown[0])}, which is no column of {mapping.table} and no "
            "correction that is known. Check the spelling, or load a file `corrections` that names it first."
        )
    try:
        return map_cells(
            cells, mapping, units=units, file=file.name, folder=file.drop, decimal_comma=decimal_comma,
            time_zone=time_zone,
        )  # fmt: skip
    except SettingError as error:
        raise DropError(f"{file.name}: {error}") from error
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, ArithmeticError) as error:
        text = " ".join(str(error).split())[:160]
        raise DropError(f"{file.name}: cannot be read by this mapping ({text}). Check its forms and units.") from error


def _known(name: str, table: str, units: dict[str, str]) -> bool:
    return name in units or name in drop_tables()[table].schema or (table == "faults" and name.startswith("ff_"))


def _refuse_many_on_a_key(rows: pl.DataFrame, file: SourceFile, mapping: Mapping) -> None:
    """Refuse a file most of whose rows would take each other's place: a log, or a table whose key is another.

    Raises:
        DropError: more rows than a slip explains have the key of another row and say something else.
    """
    key = [name for name in drop_tables()[mapping.table].key if name in rows.columns]
    whole = rows.drop(ROW).filter(pl.all_horizontal(pl.col(key).cast(pl.String).fill_null("") != "")).unique()
    counts = whole.group_by(key, maintain_order=True).len().sort("len", descending=True)
    lost = whole.height - counts.height
    if lost > max(CROWDED, whole.height * CROWDED_SHARE):
        first = ", ".join(str(value) for value in counts.row(0)[:-1])
        raise DropError(
            f"{file.name}: {lost} of its {rows.height} rows would take another row's place, since they have the same "
            f"{', '.join(key)} (most: {printable(first)}). Of a log, say how its rows become one reading "
            '(how = "median" and [log] session_gap_minutes in the mapping); else map the time of day, too.'
        )


def units_of(table: str, catalogue: pl.DataFrame) -> dict[str, str]:
    """Unit of each numeric column of a table, and of each correction where the table takes them."""
    units = {c.name: c.unit for c in drop_tables()[table].columns if c.dtype in ("float", "int")}
    if table == "snapshots":
        units |= dict(catalogue.select("code", pl.col("unit").fill_null("")).iter_rows())
    return units
