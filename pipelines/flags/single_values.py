"""Checks of single corrections against the vehicle's readings before and after: frames in, flags out.

Only where a load is not a whole history: there the drift stage looks at them.
"""

from collections.abc import Callable

import numpy as np
import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.flags.neighbours import FLAG, KEYS, MINUTE, flag_rows
from pipelines.held.spikes import SEVERAL, module_began, out_and_back
from pipelines.threads import in_threads


def value_flags(rows: pl.DataFrame, catalogue: pl.DataFrame) -> pl.DataFrame:
    """Flags on values of single corrections.

    Args:
        rows: Stored snapshots of some vehicles, with load_id, in any order.
        catalogue: code, resolution and neutral of the corrections; those that are absent from rows are not checked.

    Returns:
        load_id, vehicle_id, column_name, reason and detail (time and value).
    """
    rows = rows.sort(KEYS, maintain_order=True)
    known = catalogue.filter(pl.col("code").is_in(rows.columns)).select(
        "code", pl.col("resolution").fill_null(0.0), pl.col("neutral").cast(pl.Float64)
    )
    asked = [check for check in checks() if check.check in CHECKS and known.height]
    return pl.concat([pl.DataFrame(schema=FLAG), *(CHECKS[check.check](rows, check, known) for check in asked)])


def _off_step(rows: pl.DataFrame, check: Check, known: pl.DataFrame) -> pl.DataFrame:
    """Rows with several values between zero and half a step, where hardly any other row has one."""
    steps = known.filter(pl.col("resolution") > 0).select("code", "resolution").iter_rows()
    off = [(pl.col(code).abs() < 0.5 * step) & (pl.col(code) != 0) for code, step in steps]
    if not off:
        return flag_rows(rows, pl.lit(value=False), check)
    counted = rows.with_columns(pl.sum_horizontal(off).alias("off"))
    rare = (counted["off"] > 0).mean() or 0.0
    several = pl.col("off") >= int(check.argument)
    return flag_rows(counted, several & pl.lit(float(str(rare)) < 0.2), check)


def _spike(rows: pl.DataFrame, check: Check, known: pl.DataFrame) -> pl.DataFrame:
    """Single values without which the vehicle goes on as usual (`held.spikes`).

    Where several corrections are far off at once, it is the vehicle that changed.
    """
    lengths = rows["vehicle_id"].rle().struct.field("len").to_numpy()
    start = np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)
    beginnings = rows.with_columns(begun=module_began(rows))["begun"].cum_sum().to_numpy().astype(np.int64)

    def of_one(correction: tuple[str, float, float | None]) -> pl.DataFrame:
        code, step, neutral = correction
        value = rows[code].cast(pl.Float64).fill_null(np.nan).to_numpy()
        rest = np.nan if neutral is None else neutral
        out = out_and_back(value, start, beginnings, step=step, neutral=rest)
        told = rows.select("load_id", *KEYS, code)[out]
        return told.select("load_id", *KEYS, column_name=pl.lit(code), value=pl.col(code).cast(pl.String))

    every = pl.concat(in_threads(of_one, known.iter_rows()))
    return every.filter(pl.len().over(KEYS) <= SEVERAL).select(
        "load_id",
        "vehicle_id",
        "column_name",
        pl.lit(check.reason).alias("reason"),
        pl.format("{}: {}", pl.col("read_at").dt.strftime(MINUTE), "value").alias("detail"),
    )


CHECKS: dict[str, Callable[[pl.DataFrame, Check, pl.DataFrame], pl.DataFrame]] = {
    "off_step": _off_step, "spike": _spike,
}  # fmt: skip
