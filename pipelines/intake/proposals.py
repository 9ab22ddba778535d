"""Recognises columns that came in another unit than the contract's, and words a proposal; nothing is ever converted."""

from collections.abc import Mapping, Sequence

import polars as pl

from pipelines.catalogue.checks import checks, unit_slips
from pipelines.catalogue.tables import drop_tables
from pipelines.intake.blocks import LOAD
from pipelines.intake.units import convert

LEAST = 3  # readings of a load that speak for a unit, before it is proposed
SLIP = {LOAD: pl.Int32, "column_name": pl.String, "unit": pl.String, "vehicle_id": pl.String, "example": pl.String}
PROPOSAL = {
    LOAD: pl.Int32, "column_name": pl.String, "unit": pl.String, "readings": pl.Int64, "vehicles": pl.Int64,
    "example": pl.String,
}  # fmt: skip


def slips_of_range(problems: pl.DataFrame) -> pl.DataFrame:
    """Values out of range that are in range in a unit that is often taken by mistake.

    Args:
        problems: Flags or quarantined rows of snapshots: load_id, column_name, reason, detail (the value as text), and
            vehicle_id if it is known.

    Returns:
        One row per value and unit: load_id, column_name, unit, vehicle_id, example.
    """
    out = problems.filter(pl.col("reason").str.contains("^(unusual: )?(above|below) "))
    units = {column.name: column.unit for column in drop_tables()["snapshots"].columns}
    who = pl.col("vehicle_id") if "vehicle_id" in out.columns else pl.lit(None, dtype=pl.String)
    columns = set(out["column_name"])
    found = [pl.DataFrame(schema=SLIP)]
    for slip in [slip for slip in unit_slips() if slip.column in columns]:
        cells = out.filter(pl.col("column_name") == slip.column)
        values = convert(cells["detail"].cast(pl.Float64, strict=False), slip.unit, units[slip.column])
        fitting = cells.filter(values.is_between(slip.low, slip.high))
        found.append(fitting.select(
            LOAD, "column_name", unit=pl.lit(slip.unit), vehicle_id=who, example=pl.col("detail")
        ))  # fmt: skip
    return pl.concat(found)


def slips_of_checks(flags: pl.DataFrame) -> pl.DataFrame:
    """The same of flags by checks that tell a unit from a vehicle's other readings."""
    units = {(check.column, check.reason): check.unit for check in checks() if check.unit}
    told = pl.DataFrame(
        {"column_name": [c for c, _ in units], "reason": [r for _, r in units], "unit": list(units.values())}
    )
    example = pl.format("{}, {}", "vehicle_id", pl.col("detail").str.strip_chars(": "))
    return flags.join(told, on=["column_name", "reason"]).select(
        LOAD, "column_name", "unit", "vehicle_id", example=example
    )


def proposals(slips: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """One row per file, column and unit that enough readings of the load speak for: columns as of `PROPOSAL`."""
    every = pl.concat([pl.DataFrame(schema=SLIP), *slips])
    enough = every.filter(pl.len().over("column_name", "unit") >= LEAST)
    return (
        enough.group_by(LOAD, "column_name", "unit", maintain_order=True)
        .agg(
            readings=pl.len(),
            vehicles=pl.col("vehicle_id").n_unique() - pl.col("vehicle_id").has_nulls().cast(pl.UInt32),
            example=pl.col("example").first(),
        )
        .cast(pl.Schema(PROPOSAL))
        .sort(LOAD, "column_name", "unit")
    )


def proposal_text(row: Mapping[str, object], file: str) -> str:
    """A proposal as a line: what was seen, where, and what to do if it is right."""
    vehicles = f" of {_count(row['vehicles'], 'vehicle')}" if row["vehicles"] else ""
    return (
        f"{file}: {looks_like(row)} in {_count(row['readings'], 'reading')}{vehicles} (first: {row['example']}). "
        f"If so in all of the file, load it again with {unit_of_mapping(row)}; if in these alone, mend them and load "
        "them again; nothing was converted."
    )


def looks_like(row: Mapping[str, object]) -> str:
    """What a proposal says of a column."""
    several = row["column_name"] == "*"
    return "several corrections look like fractions" if several else f"{row['column_name']} looks like {row['unit']}"


def unit_of_mapping(row: Mapping[str, object]) -> str:
    """What a mapping must say for a proposal to be followed."""
    return f'a mapping that says unit = "{row["unit"]}"'


def _count(number: object, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
