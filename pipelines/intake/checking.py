"""Cells of one table -> typed rows that keep the contract, rows that do not with their reason, and flags.

Looks at one row at a time; what needs other rows (references, the vehicle's own past) is asked of the store.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import polars as pl

from pipelines.catalogue.checks import Check, checks, unit_slips
from pipelines.catalogue.names import printable
from pipelines.catalogue.tables import Column, Table
from pipelines.intake.blocks import BOOKKEEPING, CELLS, LOAD, NOT_WHOLE, ROW
from pipelines.intake.casting import Reading, cast, has_offset, is_empty
from pipelines.intake.columns import Columns
from pipelines.intake.limits import Limits
from pipelines.intake.names import Names
from pipelines.intake.units import convert

PROBLEM = {"at": pl.UInt32, "column_name": pl.String, "reason": pl.String, "detail": pl.String, "verdict": pl.String}
TYPE_NAMES = {
    "int": "a whole number", "float": "a number", "correction": "a number", "bool": "yes or no",
    "date": "a date (2031-02-14)", "time": "a time of ISO 8601 (2031-02-14T08:30:00Z)", "text": "text",
}  # fmt: skip
Authority = Mapping[str, tuple[float, float]]
LARGEST = 1e9  # no correction in any unit reaches it; beyond it a cell is a filler


@dataclass(frozen=True, kw_only=True)
class Checked:
    """What became of the rows of one block.

    rows: Typed columns of the rows that keep the contract, with row_number and load_id, in their order.
    flags: One row per unusual value: row_number, load_id, vehicle_id, column_name, reason, detail.
    quarantined: One row per quarantined row: row_number, load_id; column_name, reason, detail of its first breach; and
        original (its cells as they came, as JSON).
    naive_times: load_id of each time without an offset, which was read in the store's zone.
    """

    rows: pl.DataFrame
    flags: pl.DataFrame
    quarantined: pl.DataFrame
    naive_times: pl.DataFrame


def authority_of(catalogue: pl.DataFrame) -> Authority:
    """Lowest and highest value of each correction of a catalogue, one step beyond its limits."""
    step = pl.col("resolution").fill_null(0.0)
    limits = catalogue.select(
        "code",
        (pl.col("low_limit") - step).fill_null(-float("inf")),
        (pl.col("high_limit") + step).fill_null(float("inf")),
    )
    return {code: (low, high) for code, low, high in limits.iter_rows()}


def check_block(
    cells: pl.DataFrame,
    table: Table,
    columns: Columns,
    how: Reading,
    *,
    authority: Authority = MappingProxyType({}),
    names: Names | None = None,
) -> Checked:
    """Type and check the cells of one block against the contract.

    Args:
        cells: One column per column of the file, with row_number and load_id.
        table: The contract's table.
        columns: What the columns are.
        how: Time zone and decimal sign.
        authority: Lowest and highest value a correction's module can hold, by code; beyond is flagged.
        names: What names may be, and the corrections known so far; None: as the project has it, and none.
    """
    names = names or Names()
    typed, problems, naive = _typed(cells, columns, how, names.limits)
    if CELLS in cells.columns:  # of a row that is not whole, what its cells lack is no news
        problems = _not_whole(cells, len(cells.columns) - len(BOOKKEEPING)) + problems
    for cells_of_one in typed.iter_columns():
        for where, reason in names.refused(cells_of_one, table.name, cells_of_one.name):
            problems += _problems(where, cells_of_one.name, reason, cells_of_one)
    typed = names.respelt(typed, table.name)
    for column in table.columns:
        if column.name in typed.columns:
            problems += _ranges(typed[column.name], column, in_snapshots=table.name == "snapshots")
    for check in checks():
        if check.table == table.name and check.check in ROW_CHECKS and check.column in typed.columns:
            problems += ROW_CHECKS[check.check](typed, check)
    problems += _beyond_authority(typed, authority)
    found = pl.concat(problems) if problems else pl.DataFrame(schema=PROBLEM)
    blank = _blank(cells) if found.height else pl.Series([False], dtype=pl.Boolean).new_from_index(0, cells.height)
    return _sorted_out(cells, typed, found, blank, naive, names.limits.cell_chars)


def with_second_look(checked: Checked, again: Checked) -> Checked:
    """What became of blocks once the rows set aside have been looked at again, cell by cell as they came."""
    rows = checked.rows
    if again.rows.height:  # in the order in which they came: of one key, the last row stands
        rows = pl.concat([rows, again.rows], how="diagonal").sort(LOAD, ROW)
    return Checked(
        rows=rows,
        flags=pl.concat([checked.flags, again.flags]),
        quarantined=again.quarantined,
        naive_times=checked.naive_times,
    )


def _typed(
    cells: pl.DataFrame, columns: Columns, how: Reading, limits: Limits
) -> tuple[pl.DataFrame, list[pl.DataFrame], pl.DataFrame]:
    typed: list[pl.Series] = []
    problems: list[pl.DataFrame] = []
    naive = cells.select(LOAD).head(0)
    for name, (stored, kind) in columns.known.items():
        if name not in cells.columns:
            continue
        came = cells[name]
        values = cast(came, "float" if kind == "correction" else kind, how)
        if values.null_count() > came.null_count() or (came.dtype.is_float() and values.null_count()):
            unread = values.is_null() & ~is_empty(came, kind)
            problems += _problems(unread, stored, f"not {TYPE_NAMES[kind]}", came)
        if kind == "text" and _longest(values) > limits.cell_chars:
            reason = f"a cell of more than {limits.cell_chars} characters"
            problems += _problems(values.str.len_chars() > limits.cell_chars, stored, reason, came)
        if kind == "time":
            naive = pl.concat([naive, cells.select(LOAD).filter(values.is_not_null() & ~has_offset(came))])
        if kind == "correction":
            if _reaches(values, LARGEST):
                problems += _problems(values.abs() > LARGEST, stored, "no correction is as large as this", came)
            values = values.cast(pl.Float32)
        typed.append(values.alias(stored))
    typed += _waiting(cells, columns, how)
    return pl.DataFrame([*typed, cells[ROW], cells[LOAD]]), problems, naive


def _longest(texts: pl.Series) -> int:
    """Bytes of the longest text, which are no fewer than its characters."""
    most = texts.str.len_bytes().max()
    return most if isinstance(most, int) else 0


def _reaches(values: pl.Series, size: float) -> bool:
    low, high = values.min(), values.max()
    return isinstance(low, float) and isinstance(high, float) and max(-low, high) > size


def _waiting(cells: pl.DataFrame, columns: Columns, how: Reading) -> list[pl.Series]:
    """Columns that no catalogue names yet, as numbers; left out where a cell is none, or none holds anything."""
    here = set(cells.columns).intersection(columns.waiting)
    plain = cells.select(name for name in columns.waiting if name in here and _holds_numbers(cells[name].dtype))
    numbers = plain.select(pl.all().cast(pl.Float64, strict=False))  # all at once: there can be thousands
    kept = []
    for came, values in zip(plain.iter_columns(), numbers.iter_columns(), strict=True):
        if values.null_count() > came.null_count() or not math.isfinite(values.sum()):
            values = cast(came, "float", how)  # noqa: PLW2901 (the same, written otherwise)
            if (values.is_null() & ~is_empty(came, "float")).any():
                continue
        if values.null_count() < len(values):
            kept.append(values.cast(pl.Float64))
    reached = pl.when(pl.all().abs() <= LARGEST).then(pl.all()).cast(pl.Float32)
    return pl.DataFrame(kept).select(reached).get_columns() if kept else []


def _holds_numbers(dtype: pl.DataType) -> bool:
    return dtype == pl.String or dtype.is_numeric()


def _beyond_authority(typed: pl.DataFrame, authority: Authority) -> list[pl.DataFrame]:
    codes = [code for code in typed.columns if code in authority]
    lowest, highest = typed.select(pl.col(codes).min()), typed.select(pl.col(codes).max())
    problems: list[pl.DataFrame] = []
    for code in codes:
        (low, high), least, most = authority[code], lowest[code][0], highest[code][0]
        if least is not None and (least < low or most > high):
            where = ~typed[code].is_between(low, high)
            problems += _problems(where, code, "beyond the correction's authority", typed[code], "flag")
    return problems


def _ranges(values: pl.Series, column: Column, *, in_snapshots: bool) -> list[pl.DataFrame]:
    """Values that are missing or out of range; one that is in range in another unit is for the stage `held`."""
    problems: list[pl.DataFrame] = []
    if column.required or (column.key and column.dtype == "time"):
        problems += _problems(values.is_null(), column.name, "missing", values)
    if not values.dtype.is_numeric():
        return problems
    unit = f" {column.unit}".rstrip("1").rstrip()
    for low, high, verdict, word in (
        (column.low, column.high, "quarantine", ""),
        (column.usual_low, column.usual_high, "flag", "unusual: "),
    ):
        for beyond, where in (("below", low), ("above", high)):
            if where is None:
                continue
            out = values < where if beyond == "below" else values > where
            if verdict == "quarantine" and in_snapshots and out.any():
                slipped = out & _in_another_unit(values, column)
                out &= ~slipped
                if column.usual_high is None:  # else it is named there
                    problems += _problems(slipped, column.name, f"unusual: {beyond} {where:g}{unit}", values, "flag")
            problems += _problems(out, column.name, f"{word}{beyond} {where:g}{unit}", values, verdict)
    return problems


def _in_another_unit(values: pl.Series, column: Column) -> pl.Series:
    """Where a value is a usual one in a unit that is often taken by mistake."""
    fits = pl.Series([False], dtype=pl.Boolean).new_from_index(0, len(values))
    for slip in unit_slips():
        if slip.column == column.name:
            righted = convert(values.cast(pl.Float64), slip.unit, column.unit)
            fits |= righted.is_between(slip.low, slip.high).fill_null(value=False)
    return fits


def _problems(
    where: pl.Series, column: str, reason: str, values: pl.Series, verdict: str = "quarantine"
) -> list[pl.DataFrame]:
    if not where.any():
        return []
    at = where.fill_null(value=False).arg_true()
    shown = values.gather(at)
    texts = [_shown(value) for value in shown.to_list()]
    return [
        pl.DataFrame(
            {"at": at, "column_name": column, "reason": reason, "detail": texts, "verdict": verdict},
            schema_overrides=PROBLEM,
        ).select(list(PROBLEM))
    ]


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.7g}"
    return "" if value is None else printable(str(value)[:80])


def _words(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    values = typed[check.column]
    return _problems(~values.is_in(check.argument.split("|")), check.column, check.reason, values, check.verdict)


def _shape(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    values = typed[check.column]
    return _problems(~values.str.contains(check.argument), check.column, check.reason, values, check.verdict)


def _year(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    low, high = (int(year) for year in check.argument.split("|"))
    values = typed[check.column]
    return _problems(~values.dt.year().is_between(low, high), check.column, check.reason, values, check.verdict)


def _not_before(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    if check.argument not in typed.columns:
        return []
    values = typed[check.column]
    return _problems(values < typed[check.argument], check.column, check.reason, values, check.verdict)


def _above(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    if check.argument not in typed.columns:
        return []
    values = typed[check.column]
    return _problems(values <= typed[check.argument], check.column, check.reason, values, check.verdict)


def _check_digit(typed: pl.DataFrame, check: Check) -> list[pl.DataFrame]:
    values = typed[check.column]
    wrong = pl.Series(
        [value is not None and _vin_digit(value) not in (None, value[8:9]) for value in values], dtype=pl.Boolean
    )
    return _problems(wrong, check.column, check.reason, values, check.verdict)


def _vin_digit(vin: str) -> str | None:
    """Check digit by ISO 3779's transliteration and weights; None: not of a VIN's shape."""
    letters = dict(
        zip(
            "ABCDEFGHJKLMNPRSTUVWXYZ0123456789",
            [*range(1, 9), *range(1, 6), 7, 9, *range(2, 10), *range(10)],
            strict=True,
        )
    )
    weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]
    if len(vin) != 17 or any(letter not in letters for letter in vin):
        return None
    rest = sum(letters[letter] * weight for letter, weight in zip(vin, weights, strict=True)) % 11
    return "X" if rest == 10 else str(rest)


ROW_CHECKS: dict[str, Callable[[pl.DataFrame, Check], list[pl.DataFrame]]] = {
    "words": _words, "shape": _shape, "year": _year, "not_before": _not_before, "above": _above,
    "check_digit": _check_digit,
}  # fmt: skip


def _not_whole(cells: pl.DataFrame, width: int) -> list[pl.DataFrame]:
    found = cells[CELLS]
    if not found.count():
        return []
    problems = _problems(found >= 0, "", f"the row does not have {width} cells as the header does", found)
    nothing = pl.Series([None], dtype=pl.String).new_from_index(0, len(found))
    for word, reason in NOT_WHOLE.items():
        problems += _problems(found == word, "", reason, nothing)
    return problems


def _blank(cells: pl.DataFrame) -> pl.Series:
    filled = [
        (pl.col(name).str.strip_chars() != "") if dtype == pl.String else pl.col(name).is_not_null()
        for name, dtype in cells.schema.items()
        if name not in BOOKKEEPING
    ]
    ragged = [pl.col(CELLS).is_not_null()] if CELLS in cells.columns else []
    return cells.select(~pl.any_horizontal(*filled, *ragged).fill_null(value=False)).to_series()


PLACE = "_place"  # row number in a block; no table has a column of this name


def _sorted_out(  # noqa: PLR0917
    cells: pl.DataFrame, typed: pl.DataFrame, found: pl.DataFrame, blank: pl.Series, naive: pl.DataFrame, longest: int
) -> Checked:
    bad = found.filter(pl.col("verdict") == "quarantine", ~pl.col("at").is_in(blank.arg_true().implode()))
    worst = bad.unique("at", keep="first", maintain_order=True).sort("at")
    out = pl.concat([worst["at"], blank.arg_true().cast(pl.UInt32)])
    good = (
        typed.with_row_index(PLACE).filter(~pl.col(PLACE).is_in(out.implode()))
        if len(out)
        else typed.with_row_index(PLACE)
    )
    who = pl.col("vehicle_id") if "vehicle_id" in good.columns else pl.lit(None, dtype=pl.String).alias("vehicle_id")
    flags = found.filter(pl.col("verdict") == "flag").join(
        good.select(pl.col(PLACE).alias("at"), ROW, LOAD, who), on="at", how="inner", maintain_order="left"
    )
    originals = (
        cells.drop(CELLS, strict=False)[worst["at"]] if worst.height else cells.drop(CELLS, strict=False).head(0)
    )
    quarantined = worst.with_columns(
        originals[ROW],
        originals[LOAD],
        original=pl.Series([_as_json(row, longest) for row in originals.iter_rows(named=True)], dtype=pl.String),
    ).drop("at", "verdict")
    return Checked(rows=good.drop(PLACE), flags=flags.drop("at", "verdict"), quarantined=quarantined, naive_times=naive)


def _as_json(row: dict[str, object], longest: int) -> str:
    """The cells of a row that hold something, as JSON; of a cell beyond the longest, as much as it may hold."""
    cells = {name: value for name, value in row.items() if name not in BOOKKEEPING and value is not None}
    cells = {n: v[:longest] if isinstance(v, str | bytes) and len(v) > longest else v for n, v in cells.items()}
    return json.dumps(cells, ensure_ascii=False, default=str)
