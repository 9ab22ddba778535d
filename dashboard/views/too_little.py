"""What cannot be said yet of a vehicle, and what is said nevertheless: learning, and levels near a limit that stand."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboard.views.wording import amount, count, number, sentence
from pipelines.bands.built_in import ENOUGH_PEERS, normal_range, normal_share
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.outcome import to_come
from pipelines.workplan.urgency import limits

MOST_NAMED = 2


def learning(states: pl.DataFrame, read: Mapping[str, int]) -> tuple[list[str], list[str]]:
    """Corrections that were read too seldom to be judged, and what is said of them.

    Args:
        states: The vehicle's rows of `correction_state`.
        read: How often each correction was read.
    """
    relearning = states.filter(pl.col("state") == "relearning")["correction"].to_list()
    young = [code for code in relearning if read.get(code, LEAST_SETTLED) < LEAST_SETTLED]
    if not young:
        return [], []
    often = max(read[code] for code in young)
    words = (
        f"Learning, {often} of about {LEAST_SETTLED} readings: {count(len(young), 'correction')} cannot be judged yet. "
        "Until then a level shows only where it is beyond what healthy engines hold. What is to come: "
        f"{to_come(often)}."
    )
    return young, [words]


def is_all_learning() -> pl.Expr:
    """Of rows of `correction_state`, as `all_learning`: whether all that is read of a vehicle is being learned."""
    read = pl.col("state").filter(~pl.col("state").is_in(["not_read", "not_fitted"]))
    return ((read.len() > 0) & (read == "relearning").all()).alias("all_learning")


def peers_read(vehicle: Mapping[str, Any], vehicles: pl.DataFrame, vehicle_state: pl.DataFrame) -> int:
    """How many vehicles of a vehicle's engine family were read, itself among them."""
    alike = vehicles.filter(pl.col("engine_family").eq_missing(pl.lit(vehicle.get("engine_family"), pl.String)))
    read = vehicle_state.drop_nulls("last_read_at")
    return read.join(alike, on="vehicle_id", how="semi").height


def by_built_in(states: pl.DataFrame, peers: int) -> list[str]:
    """That a family is too small to show what is normal, and what it is compared with instead.

    Args:
        states: The vehicle's rows of `correction_state` with the catalogue's words, the leading ones first.
        peers: Vehicles of the family that were read.
    """
    known = states.filter(~pl.col("state").is_in(["not_read", "not_fitted"])).drop_nulls(
        ["neutral", "low_limit", "high_limit"]
    )
    rows = [row for row in known.iter_rows(named=True) if normal_share(row["correction"]) < 1]
    if peers >= ENOUGH_PEERS or not rows:
        return []
    ranges = []
    for row in rows[:MOST_NAMED]:
        low, high = normal_range(row["correction"], row["neutral"], row["low_limit"], row["high_limit"])
        ranges.append(f"{row['title']}, {number(low)} to {amount(high, row['unit'])}")
    said = (
        f"{count(peers, 'vehicle').capitalize()} of this engine family {'was' if peers == 1 else 'were'} read. Until "
        f"{ENOUGH_PEERS} are, levels are judged by the built-in normal ranges ({'; '.join(ranges)}), not by peers, and "
        "weather is not told from a change."
    )
    return [said]


def near_limit(states: pl.DataFrame) -> pl.DataFrame:
    """Corrections that do not stray and have used most of their authority, as much as a straying one is planned for.

    Where some of the vehicle's corrections name a code, only those: of the other limits no fault follows.
    """
    least = limits()["plan"]["leeway_pct"]
    quiet = pl.col("state").is_in(["steady", "relearning"])
    coded = pl.concat_str(pl.col("fault_low", "fault_high").fill_null("")) != ""
    counts = states.filter(coded) if states.select(coded.any()).item() else states
    return counts.filter(quiet, pl.col("leeway_pct") <= least).sort("leeway_pct", "correction")


def near_limit_words(near: pl.DataFrame) -> list[str]:
    """That nothing shows them to have moved, which does not make them healthy."""
    return [
        f"{sentence(str(row['title']))} does not move, yet has only {row['leeway_pct']:.0f} % of its leeway left: "
        "nothing says that this is normal for the engine. Have it looked at."
        for row in near.head(MOST_NAMED).iter_rows(named=True)
    ]
