"""Temperatures in °F for who reads those: catalogue, states and readings in °C in, the same frames in °F out.

A correction whose neutral value is 0 is a difference of temperatures: it has a scale and no zero of its own.
"""

from collections.abc import Collection, Mapping
from typing import Any

import polars as pl

CELSIUS, FAHRENHEIT = "degC", "degF"
SCALE, ZERO = 1.8, 32.0  # of °F by °C, exact
LEVELS = (  # columns that hold a temperature, or a difference of two where the correction is one
    "value", "expected", "band_low", "band_high", "level", "centre", "low_limit", "high_limit", "neutral",
)  # fmt: skip
STEPS = (  # columns that hold a difference whatever the correction
    "deviation", "rate_per_30d", "rate_per_1000km", "season", "offset", "relearning", "resolution",
)  # fmt: skip


def zero_of(row: Mapping[str, Any]) -> float:
    """Where 0 °C of a correction lies in °F: 0 for one that is a difference."""
    return 0.0 if not row["neutral"] else ZERO


def catalogue_in_fahrenheit(corrections: pl.DataFrame) -> pl.DataFrame:
    """The catalogue with limits, neutral values and steps of temperatures in °F."""
    turned = _turned(corrections, pl.when(pl.col("neutral").fill_null(0.0) == 0).then(0.0).otherwise(ZERO))
    mine = pl.col("unit") == CELSIUS
    return corrections.with_columns(
        pl.when(mine).then(expression).otherwise(name).alias(name) for name, expression in turned.items()
    ).with_columns(unit=pl.when(mine).then(pl.lit(FAHRENHEIT)).otherwise("unit"))


def states_in_fahrenheit(rows: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """Rows with a column `correction`, such as those of `correction_state`, with temperatures in °F.

    Args:
        rows: In the catalogue's units.
        corrections: The catalogue, as it is.
    """
    for row in corrections.filter(pl.col("unit") == CELSIUS).to_dicts():
        turned = _turned(rows, pl.lit(zero_of(row)))
        mine = pl.col("correction") == row["code"]
        rows = rows.with_columns(
            pl.when(mine).then(expression).otherwise(name).cast(rows.schema[name]).alias(name)
            for name, expression in turned.items()
        )
    return rows


def readings_in_fahrenheit(readings: pl.DataFrame, correction: Mapping[str, Any]) -> pl.DataFrame:
    """Readings of one correction, or its path, in °F.

    Args:
        readings: With some of LEVELS and STEPS.
        correction: Its row of the catalogue, as it is.
    """
    if correction["unit"] != CELSIUS:
        return readings
    return readings.with_columns(
        expression.alias(name) for name, expression in _turned(readings, pl.lit(zero_of(correction))).items()
    )


def readings_in_celsius(
    rows: pl.DataFrame, correction: Mapping[str, Any], *, levels: Collection[str], steps: Collection[str] = ()
) -> pl.DataFrame:
    """Figures of one correction that are shown in °F, back in °C.

    Args:
        rows: As shown.
        correction: Its row of the catalogue, as it is.
        levels: Columns that hold what is read.
        steps: Columns that hold differences.
    """
    if correction["unit"] != CELSIUS:
        return rows
    zero = zero_of(correction)
    return rows.with_columns((pl.col(name) - zero) / SCALE for name in levels).with_columns(
        pl.col(name) / SCALE for name in steps
    )


def _turned(rows: pl.DataFrame, zero: pl.Expr) -> dict[str, pl.Expr]:
    return {
        **{name: pl.col(name) * SCALE + zero for name in LEVELS if name in rows.columns},
        **{name: pl.col(name) * SCALE for name in STEPS if name in rows.columns},
    }
