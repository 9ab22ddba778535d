"""What cannot be said yet of a vehicle, and what is said nevertheless: learning, and levels near a limit that stand."""

from collections.abc import Mapping

import polars as pl

from dashboard.views.wording import count, sentence
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.workplan.urgency import limits

SLOW_SHOWS = 20  # readings whose own scatter is known well enough for slow changes; judgement
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
        "Until then a level shows only where it is beyond what healthy engines hold; a slow change shows from about "
        f"{SLOW_SHOWS} readings on."
    )
    return young, [words]


def near_limit(states: pl.DataFrame) -> pl.DataFrame:
    """Corrections that do not stray and have used most of their authority, as much as a straying one is planned for."""
    least = limits()["plan"]["leeway_pct"]
    quiet = pl.col("state").is_in(["steady", "relearning"])
    return states.filter(quiet, pl.col("leeway_pct") <= least).sort("leeway_pct", "correction")


def near_limit_words(near: pl.DataFrame) -> list[str]:
    """That nothing shows them to have moved, which does not make them healthy."""
    return [
        f"{sentence(str(row['title']))} does not move, yet has only {row['leeway_pct']:.0f} % of its leeway left: "
        "nothing says that this is normal for the engine. Have it looked at."
        for row in near.head(MOST_NAMED).iter_rows(named=True)
    ]
