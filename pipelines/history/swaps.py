"""Two vehicles swapped in a file: each goes on, for a while, with the module or the odometer of the other."""

import polars as pl

from pipelines.history.clock import Clocks
from pipelines.history.counter import RESUMED

APART_DAYS = 21.0  # the two leave their own courses within so many days: readings may be that far apart; judgement
# One vehicle's odometer goes on where the other's stopped, give or take what both drive meanwhile; judgement.
KM_APART = 4000.0


def swaps(steps: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """One row per vehicle and swap: vehicle_id, other_vehicle_id, at (first foreign reading), until (last; null: yet).

    Two vehicles are said to be swapped when, within `APART_DAYS`, each leaves its own course and takes up the other's:
    by module serial and odometer where both have a serial, else by odometer alone.

    Args:
        steps: Of all vehicles, as `steps_of` gives them.
        returns: The same of `returns_of`.
    """
    pairs = pl.concat([_by_module(steps), _by_odometer(steps)])
    mirrored = pairs.select(
        vehicle_id="vehicle_id_other", at="at_other", vehicle_id_other="vehicle_id", at_other="at"
    )  # fmt: skip
    both = pl.concat([pairs, mirrored]).select("vehicle_id", "at", other_vehicle_id="vehicle_id_other")
    named = both.sort("vehicle_id", "at", "other_vehicle_id").unique(["vehicle_id", "at"], keep="first")
    return _with_ends(named, steps, returns).sort("vehicle_id", "at")


def steps_of(rows: pl.DataFrame) -> pl.DataFrame:
    """Readings that may have left their vehicle's course: another module, or a step of the odometer.

    Columns: vehicle_id, odometer_km, module, each as it was at the reading before (`_before`), at, before (its time).
    """
    read = ("odometer_km", "module", "read_at")
    before = [pl.col(name).shift(1).over("vehicle_id").alias(f"{name}_before") for name in read]
    step = (pl.col("odometer_km") - pl.col("odometer_km_before")).abs() > KM_APART
    return (
        rows.with_columns(*before)
        .filter(pl.col("module_changed") | step.fill_null(value=False))
        .select(
            "vehicle_id", "odometer_km", "odometer_km_before", "module", "module_before", at="read_at",
            before="read_at_before",
        )
    )  # fmt: skip


def returns_of(rows: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """Readings at which a counter is back on a course that it had left: vehicle_id, back_at, until (reading before)."""
    back = (clocks.km.event == RESUMED) | (clocks.hours.event == RESUMED)
    readings = rows.select("vehicle_id", back_at="read_at", until=pl.col("read_at").shift(1).over("vehicle_id"))
    return readings.filter(pl.Series(back))


def _by_module(steps: pl.DataFrame) -> pl.DataFrame:
    """Pairs of vehicles, each with the other's module, and with the other's odometer where that was read."""
    changed = steps.filter(pl.col("module") != pl.col("module_before"))
    pairs = changed.join(
        changed, left_on=["module", "module_before"], right_on=["module_before", "module"], suffix="_other"
    )
    return _plausible(pairs.filter(_goes_on().fill_null(value=True)))


def _by_odometer(steps: pl.DataFrame) -> pl.DataFrame:
    """Pairs of vehicles without a serial to go by, of which one falls to where the other stood, which rises as far."""
    plain = steps.filter(pl.col("module").is_null() & pl.col("odometer_km_before").is_not_null())
    fell = plain.filter(pl.col("odometer_km") < pl.col("odometer_km_before"))
    rose = plain.filter(pl.col("odometer_km") > pl.col("odometer_km_before"))
    place = (pl.col("odometer_km") / KM_APART).floor().cast(pl.Int64)
    near = fell.with_columns(place=pl.concat_list(place - 1, place, place + 1)).explode("place")
    pairs = near.join(
        rose.with_columns(place=(pl.col("odometer_km_before") / KM_APART).floor().cast(pl.Int64)),
        on="place",
        suffix="_other",
    )
    return _plausible(pairs.filter(_goes_on()))


def _plausible(pairs: pl.DataFrame) -> pl.DataFrame:
    together = (pl.col("at") - pl.col("at_other")).abs() <= pl.duration(days=APART_DAYS)
    return pairs.filter(together & (pl.col("vehicle_id") != pl.col("vehicle_id_other"))).select(
        "vehicle_id", "at", "vehicle_id_other", "at_other"
    )


def _goes_on() -> pl.Expr:
    """Each odometer stands where the other vehicle's stood; null: not read."""
    one = (pl.col("odometer_km") - pl.col("odometer_km_before_other")).abs() <= KM_APART
    return one & ((pl.col("odometer_km_other") - pl.col("odometer_km_before")).abs() <= KM_APART)


def _with_ends(named: pl.DataFrame, steps: pl.DataFrame, returns: pl.DataFrame) -> pl.DataFrame:
    """Every second exchange of a pair is the way back; `until` is the last reading before the vehicle is back."""
    readings = steps.select("vehicle_id", "at", "before")
    pair = ["vehicle_id", "other_vehicle_id"]
    begun = (
        named.sort(*pair, "at")
        .join(readings, on=["vehicle_id", "at"], maintain_order="left")
        .with_columns(number=pl.int_range(pl.len()).over(pair), until_pair=pl.col("before").shift(-1).over(pair))
        .filter(pl.col("number") % 2 == 0)
        .with_columns(after=pl.col("at") + pl.duration(seconds=1))
        .sort("after")
    )
    ended = begun.join_asof(
        returns.sort("back_at"),
        left_on="after",
        right_on="back_at",
        by="vehicle_id",
        strategy="forward",
        check_sortedness=False,
    )
    return ended.select(*pair, "at", until=pl.coalesce("until_pair", "until"))
