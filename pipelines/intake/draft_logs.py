"""Rules by which the many rows of a log become one reading: per region of speed and load, warm and in closed loop."""

import re

import polars as pl

from pipelines.intake.casting import Reading
from pipelines.intake.foreign import LEAST_OF, MOST_OF, ROWS_OF, numbers_and_units
from pipelines.intake.mapping import Condition, MappedColumn
from pipelines.intake.units import convert

MOST_SECONDS = 60.0  # between the rows of a log; judgement: readings of a workshop lie further apart
LEAST_ROWS_OF_A_LOG = 3
SESSION_GAP_MINUTES = 20.0  # an engine that stood longer is another trip; judgement
LEAST_ROWS = 10  # that a value rests on; judgement: ten seconds of the usual rate
WARM_C = 70.0  # coolant of an engine whose mixture is learned; judgement: thermostats open at 80 to 95
IDLE_RPM = 1000.0  # below it a warm petrol engine idles; judgement
LOADS = {"low": (None, 30.0), "mid": (30.0, 60.0), "high": (60.0, None)}  # per cent of calculated load; judgement
CLOSED = r"(?i)^\s*(?:cl\b.*|closed.*|2|4|8|16)\s*$"  # closed loop in the words and bits of SAE J1979
REGIONLESS = re.compile(r"(ltft|stft)_b\d")


def is_log(times: pl.Series, vehicles: pl.Series | None) -> bool:
    """Whether rows follow each other as those of a log do, or many of them have one time."""
    frame = pl.DataFrame(
        {"at": times, "of": vehicles if vehicles is not None else pl.repeat("", len(times), eager=True)}
    )
    if frame.height < LEAST_ROWS_OF_A_LOG:
        return False
    gaps = frame.select(pl.col("at").diff().over("of").dt.total_microseconds().abs() / 1e6).to_series().drop_nulls()
    return len(gaps) > 0 and float(gaps.median() or 0.0) < MOST_SECONDS and frame["at"].count() > 0  # type: ignore[arg-type]


def log_columns(
    columns: list[MappedColumn], roles: dict[str, str], cells: pl.DataFrame, how: Reading, codes: set[str]
) -> tuple[list[MappedColumn], list[str]]:
    """The columns of a mapping with a rule each, and what the rules say, for people.

    Args:
        columns: As drafted for rows that are readings.
        roles: Columns of the file by role: `~rpm`, `~load`, `~loop`.
        cells: Of the file.
        how: How its numbers are written.
        codes: Corrections that are known.
    """
    always = _always(columns, roles, cells, how)
    regions = _regions(roles) if _share_is_per_cent(roles, cells, how) else {}
    made: list[MappedColumn] = []
    for column in columns:
        if column.to.startswith(("ltft_b", "stft_b", "stft_rest")):
            made += _trim(column, always, regions, codes)
        elif column.to in ("vehicle_id", "read_at"):
            made.append(column)
        else:
            made.append(_ruled(column, "last"))
    said = [_words(always, regions)]
    return made, said


def with_what_they_rest_on(rows: pl.DataFrame) -> pl.DataFrame:
    """Readings of a log for people: beside each value, of how many rows it is and where eight in ten of them lie."""
    of = [name.removesuffix(ROWS_OF) for name in rows.columns if name.endswith(ROWS_OF)]
    told = [
        pl.format("{} (of {} rows, {} to {})", *(pl.col(each).cast(pl.Float64).round_sig_figs(3).cast(pl.String)
                  if each != f"{name}{ROWS_OF}" else pl.col(each) for each in (
                      name, f"{name}{ROWS_OF}", f"{name}{LEAST_OF}", f"{name}{MOST_OF}")))
        .fill_null(pl.format("too few rows: {}", f"{name}{ROWS_OF}"))
        .alias(name)
        for name in of
    ]  # fmt: skip
    beside = [f"{name}{part}" for name in of for part in (ROWS_OF, LEAST_OF, MOST_OF)]
    return rows.with_columns(told).drop(beside)


def _trim(
    column: MappedColumn, always: list[Condition], regions: dict[str, list[Condition]], codes: set[str]
) -> list[MappedColumn]:
    if column.to.startswith("stft_b"):
        rest = column.to.replace("stft_", "stft_rest_")
        return [_ruled(column, "mean", always, to=rest if rest in codes else column.to)]
    if REGIONLESS.fullmatch(column.to) and regions and all(f"{column.to}_{region}" in codes for region in regions):
        return [
            _ruled(column, "median", [*always, *conditions], to=f"{column.to}_{region}")
            for region, conditions in regions.items()
        ]
    return [_ruled(column, "median", always)]


def _ruled(
    column: MappedColumn, how: str, where: list[Condition] | None = None, *, to: str | None = None
) -> MappedColumn:
    return MappedColumn(
        to=to or column.to, source=column.source, also=column.also, unit=column.unit, form=column.form,
        true=column.true, false=column.false, how=how, where=tuple(where or ()),
    )  # fmt: skip


def _always(columns: list[MappedColumn], roles: dict[str, str], cells: pl.DataFrame, how: Reading) -> list[Condition]:
    found: list[Condition] = []
    coolant = next((column for column in columns if column.to == "coolant_c"), None)
    if coolant:
        unit = coolant.unit or next(iter(numbers_and_units(cells[coolant.source], how)["unit"].drop_nulls()), "")
        warm = float(convert(pl.Series([WARM_C]), "degC", unit or "degC")[0])
        found.append(Condition(column=coolant.source, above=round(warm, 1)))
    if "~loop" in roles:
        states = cells[roles["~loop"]].cast(pl.String).drop_nulls().str.strip_chars().unique()
        closed = states.filter(states.str.contains(CLOSED)).to_list()
        if len(closed) == 1:
            found.append(Condition(column=roles["~loop"], equals=closed[0]))
    return found


def _regions(roles: dict[str, str]) -> dict[str, list[Condition]]:
    if not {"~rpm", "~load"} <= set(roles):
        return {}
    rpm, load = roles["~rpm"], roles["~load"]
    driven = Condition(column=rpm, above=IDLE_RPM)
    loads = {region: [driven, Condition(column=load, above=low, below=high)] for region, (low, high) in LOADS.items()}
    return {"idle": [Condition(column=rpm, below=IDLE_RPM)], **loads}


def _share_is_per_cent(roles: dict[str, str], cells: pl.DataFrame, how: Reading) -> bool:
    """Whether load is given in per cent, and engine speed in turns a minute: else regions are not told."""
    if not {"~rpm", "~load"} <= set(roles):
        return False
    load, rpm = (numbers_and_units(cells[roles[role]], how)["number"].drop_nulls() for role in ("~load", "~rpm"))
    if load.is_empty() or rpm.is_empty():
        return False
    return 1.5 < float(load.max()) <= 110 and 300 < float(rpm.max()) < 12_000  # type: ignore[arg-type]


def _words(always: list[Condition], regions: dict[str, list[Condition]]) -> str:
    when = [f"{c.column} above {c.above:g}" if c.above is not None else f"{c.column} is {c.equals}" for c in always]
    low, mid = LOADS["low"][1], LOADS["mid"][1]
    by = f"idle below {IDLE_RPM:g} rpm; above it low below {low:g} % load, mid up to {mid:g} %, high beyond"
    by = by if regions else "the region is not told: engine speed or load is not in the file"
    counted = " and ".join(when) or "all: neither coolant nor loop status is in the file"
    return (
        f"It is a log: rows up to a pause of {SESSION_GAP_MINUTES:g} minutes become one reading, the median of rows "
        f"that count ({counted}), of {LEAST_ROWS} rows at least; {by}."
    )
