"""Whether a column is the module's own clock, told by its values: one that restarts at every trip is none.

A module's clock rises from reading to reading, no faster than time passes, and restarts when the power was lost; a
trip's clock restarts at nearly every pause.
"""

import polars as pl

from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.casting import Reading
from pipelines.intake.draft_logs import SESSION_GAP_MINUTES
from pipelines.intake.foreign import numbers_and_units
from pipelines.intake.headers import read_header
from pipelines.intake.mapping import MappedColumn
from pipelines.intake.units import convert, fits

CLOCK = "ignition_hours"
MODULE, TRIP, UNKNOWN = "module", "trip", ""
LEAST_STEPS = 3  # pauses that tell; judgement
OFTEN, SELDOM = 0.3, 0.2  # share of pauses after which a clock of a trip (by chance half of them) or a module is less
LATEST_START_HOURS = 0.1  # of a trip's clock in the first row of its log; judgement
LONGEST_TRIP_HOURS = 24.0  # what goes beyond it counts more than a trip; judgement


def clock_kind(hours: pl.Series, at: pl.Series, of: pl.Series) -> str:
    """What a clock is, by its values: `module`, `trip`, or empty where they do not say.

    Args:
        hours: Its values, h.
        at: Time of each row.
        of: Vehicle of each row.
    """
    rows = pl.DataFrame({"hours": hours, "at": at, "of": of}).drop_nulls().sort("of", "at", maintain_order=True)
    steps = rows.with_columns(
        pause=pl.col("at").diff().over("of").dt.total_microseconds() / 3.6e9, rise=pl.col("hours").diff().over("of")
    )
    pauses = steps.filter(pl.col("pause") * 60 > SESSION_GAP_MINUTES)
    restarts = pauses.filter(pl.col("rise") < 0).height
    beyond = float(rows["hours"].max() or 0) > LONGEST_TRIP_HOURS  # type: ignore[arg-type]
    if pauses.height >= LEAST_STEPS:
        if restarts >= OFTEN * pauses.height and not beyond:
            return TRIP
        fast = pauses.filter(pl.col("rise") > pl.col("pause") * 1.01).height
        return MODULE if restarts + fast <= SELDOM * pauses.height and beyond else UNKNOWN
    first = rows.group_by("of").agg(pl.col("hours").first())["hours"]
    begins_at_zero = bool(len(first)) and bool((first <= LATEST_START_HOURS).all()) and rows.height > pauses.height + 1
    return TRIP if begins_at_zero and not beyond else UNKNOWN


def with_clock(
    columns: tuple[MappedColumn, ...], cells: pl.DataFrame, rows: pl.DataFrame | None, how: Reading, answer: str
) -> tuple[tuple[MappedColumn, ...], list[str]]:
    """The columns without a clock that restarts at every trip, and with the one that a person names; and what is said.

    Args:
        columns: As drafted by headers.
        cells: Of the file.
        rows: Time (`at`) and vehicle (`of`) of each row; None: not known.
        how: How its numbers are written.
        answer: The column that a person says is the module's clock; empty: none was named.
    """
    if answer in cells.columns:
        unit = _unit(answer)
        others = tuple(column for column in columns if column.to != CLOCK and column.source != answer)
        return (*others, MappedColumn(to=CLOCK, source=answer, unit="" if unit == "h" else unit)), []
    if rows is None:
        return columns, []
    said = []
    for column in columns:
        if column.to == CLOCK and clock_kind(_hours(cells, column.source, column.unit, how), *rows) == TRIP:
            columns = tuple(each for each in columns if each.to != CLOCK)
            said.append(
                f"'{column.source}' starts again at every trip: it is not the module's own clock, and left out."
            )
            break
    if all(column.to != CLOCK for column in columns) and not said:
        used = {column.source for column in columns}
        said += [
            f"'{name}' counts on from reading to reading, as the module's own clock would. If it is that: --answer "
            f'"{CLOCK}={name}"'
            for name in cells.columns
            if name not in BOOKKEEPING and name not in used and _counts_hours(name)
            and clock_kind(_hours(cells, name, _unit(name), how), *rows) == MODULE
        ]  # fmt: skip
    return columns, said


def _unit(name: str) -> str:
    unit = read_header(name).unit
    return unit if unit and fits(unit, "h") else "h"


def _counts_hours(name: str) -> bool:
    """Whether a header is about hours or a running time."""
    header = read_header(name)
    return any({"HOURS", "RUN"} & ideas for ideas in header.readings) or (bool(header.unit) and fits(header.unit, "h"))


def _hours(cells: pl.DataFrame, name: str, unit: str, how: Reading) -> pl.Series:
    numbers = numbers_and_units(cells[name], how)["number"].cast(pl.Float64)
    return convert(numbers, unit or "h", "h")
