"""Checks of single corrections against the vehicle's readings before and after: frames in, flags out.

Only where a load is not a whole history: there the drift stage looks at them.
"""

from collections.abc import Callable

import polars as pl

from pipelines.catalogue.checks import Check, checks
from pipelines.store.neighbours import FLAG, KEYS, MINUTE, flag_rows, value_after, value_before

BACK = 0.5  # of its excursion, the most by which the values before and after a misreading differ
RESTLESS = 1.5  # times the usual change from reading to reading, beyond which a vehicle is judged by its own
OWN_READINGS = 9  # from which a vehicle's own change is known: two changes at a misreading must not tell it
MEDIAN_OF_MEAN = 0.845  # of absolute normal deviates, the median over the mean
SEVERAL = 3  # corrections of one reading: where more are far off at once, something happened to the vehicle


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
    """Single values further from those before and after, which agree, than so many times the usual change.

    A vehicle's first value is held against the two after it. Where the module may have begun anew, a value may also lie
    towards neutral. Where several corrections are far off at once, it is the vehicle that changed.
    """
    rows = rows.with_columns(_begun(rows).cum_sum().alias("beginnings"))
    found = [pl.DataFrame(schema={**FLAG, "read_at": pl.Datetime("us", "UTC")})]
    for code, step, neutral in known.iter_rows():
        read = (
            rows.select("load_id", *KEYS, "beginnings", code)
            .drop_nulls(code)
            .with_columns(value_before(code).alias("before"), value_after(code).alias("after"))
        )
        usual = max(_usual_change((read[code] - read["before"]).abs(), step), step, 1e-9)
        further = pl.when(pl.col("vehicle_id") == pl.col("vehicle_id").shift(-2)).then(pl.col(code).shift(-2))
        sides = read.with_columns(pl.coalesce("before", further).alias("other")).filter(pl.col("after").is_not_null())
        fair = ["other", "after", pl.when(pl.col("beginnings") != value_before("beginnings")).then(pl.lit(neutral))]
        far = pl.max_horizontal(pl.col(code) - pl.max_horizontal(fair), pl.min_horizontal(fair) - pl.col(code))
        agree = (pl.col("other") - pl.col("after")).abs() < BACK * pl.col("far")
        enough = float(check.argument) * usual
        out = sides.with_columns(far=far).filter(pl.col("far") > enough, agree)
        if out.is_empty():
            continue
        moved = pl.when(pl.len() >= OWN_READINGS).then((pl.col(code) - pl.col("before")).abs().median())
        restless = read.join(out, on="vehicle_id", how="semi").group_by("vehicle_id").agg(moved=moved)
        calm = out.join(restless, on="vehicle_id", how="left", maintain_order="left").filter(
            pl.col("far") > float(check.argument) * pl.max_horizontal(pl.col("moved") / RESTLESS, usual)
        )
        found.append(
            calm.select(
                "load_id",
                "vehicle_id",
                pl.lit(code).alias("column_name"),
                pl.lit(check.reason).alias("reason"),
                pl.format("{}: {}", pl.col("read_at").dt.strftime(MINUTE), code).alias("detail"),
                "read_at",
            )
        )
    every = pl.concat(found)
    return every.filter(pl.len().over(KEYS) <= SEVERAL).drop("read_at")


def _usual_change(change: pl.Series, step: float) -> float:
    """Change from reading to reading that half of them exceed if they are normal; whole steps do not make it jump.

    From the mean of the changes, of which large ones count as five medians.
    """
    most = 5 * (float(str(change.median() or 0.0)) + step)
    return MEDIAN_OF_MEAN * float(str(change.clip(upper_bound=most).mean() or 0.0))


def _begun(rows: pl.DataFrame) -> pl.Expr:
    """Whether another module, another calibration, a restarted clock or counter lies between a reading and the last."""
    other = [pl.col(name) != value_before(name) for name in ("module", "calibration") if name in rows.columns]
    counters = ("ignition_hours", "warmups_since_clear", "km_since_clear")
    fell = [pl.col(name) < value_before(name) for name in counters if name in rows.columns]
    return pl.any_horizontal(pl.lit(value=False), *(sign.fill_null(value=False) for sign in (*other, *fell)))


CHECKS: dict[str, Callable[[pl.DataFrame, Check, pl.DataFrame], pl.DataFrame]] = {
    "off_step": _off_step, "spike": _spike,
}  # fmt: skip
