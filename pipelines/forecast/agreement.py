"""Why a limit date and the chance of a fault say different things of a vehicle: words to publish beside the chance.

Both rest on the same readings. The date says when a limit is met as likely as not, if what goes on goes on; the chance
is learned from what followed readings like these, with levelling off, limits that set no code, and codes without one.
"""

from collections.abc import Collection, Mapping
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipelines.figure_words import day_words, percent
from pipelines.forecast.past import Past
from pipelines.forecast.time_grid import AT_HORIZON, HORIZONS, within_horizons

EVEN = 0.5  # the chance that a limit date's median stands for; definition
HEADED = 0.5  # chance of a first passage within 90 days from which past vehicles count as headed for a limit; judgement
FEWEST_VEHICLES = 5  # that a share is told of; judgement
HEADED_FOR, SET_A_FAULT = "headed for a limit", "headed for a limit and set a fault"


def followed(past: Past) -> tuple[float, int] | None:
    """Share of vehicles headed for a limit that set a fault within 90 days, and of how many; None: too few.

    Censored ones count as long as they were watched (rates a step, as the forecast itself is learned).
    """
    headed = past.features.passage[:, AT_HORIZON[-1]] >= HEADED
    days, faults = past.watched(past.now)
    seen = headed & (days.sum(axis=1) > 0)
    vehicles = len(np.unique(past.origins.vehicle[seen]))
    if vehicles < FEWEST_VEHICLES:
        return None
    hazard = faults[seen].sum(axis=0) / np.maximum(days[seen].sum(axis=0), 1e-9)
    return float(within_horizons(hazard[None])[0, -1]), vehicles


def followed_terms(seen: tuple[float, int] | None) -> list[tuple[str, int | None, float, str]]:
    """The same as rows of `Forecast.model`."""
    if seen is None:
        return []
    share, vehicles = seen
    return [
        (HEADED_FOR, HORIZONS[-1], float(vehicles), "vehicles whose readings led to a limit within 90 days"),
        (SET_A_FAULT, HORIZONS[-1], share, "share of them that set a fault within 90 days, repaired ones left out"),
    ]


def followed_by(model: pl.DataFrame) -> tuple[float, int] | None:
    """`followed` as an earlier analysis has stored it."""
    value = dict(model.select("term", "value").iter_rows())
    return (value[SET_A_FAULT], int(value[HEADED_FOR])) if SET_A_FAULT in value else None


def disagreements(
    states: pl.DataFrame, forecast: pl.DataFrame, titles: Mapping[str, str], *, as_of: datetime,
    seen: tuple[float, int] | None, without_code: Collection[str] = (),
) -> dict[str, str]:  # fmt: skip
    """By vehicle: why its limit date and its chance within 90 days do not agree, as the end of a sentence.

    Args:
        states: `vehicle_id, correction, limit_at_p50` of the contract's `correction_state`.
        forecast: `vehicle_id, horizon_days, probability`.
        titles: Of corrections.
        as_of: The time of both.
        seen: As `followed` gives it.
        without_code: Corrections whose limits set no code: no chance follows from them.
    """
    ahead = states.filter(pl.col("limit_at_p50") <= pl.lit(as_of) + timedelta(days=HORIZONS[-1]))
    coded_first = pl.col("correction").is_in(list(without_code)), pl.col("limit_at_p50"), pl.col("correction")
    first = ahead.sort(*coded_first).group_by("vehicle_id", maintain_order=True).first()
    chance = forecast.filter(pl.col("horizon_days") == HORIZONS[-1])
    both = chance.select("vehicle_id", "probability").join(
        first.select("vehicle_id", "correction", "limit_at_p50"), on="vehicle_id", how="left"
    )
    words = {}
    for vehicle, probability, correction, at in both.iter_rows():
        if at is not None and probability < EVEN:
            by = f"by {day_words(at.date(), as_of.date())} if it goes on"
            met = f"{titles.get(correction, correction)} may be at its limit {by}"
            why = "which sets no code, so that it adds nothing to the chance"
            words[vehicle] = (
                f"; {met}, {why if correction in without_code else f'yet the chance is lower: {_why(seen)}'}"
            )
        elif at is None and probability >= EVEN:
            words[vehicle] = (
                "; no limit is expected to be met within 90 days: the chance rests on what followed readings like these"
            )
    return words


def _why(seen: tuple[float, int] | None) -> str:
    if seen is None:
        return "too few vehicles headed for a limit are known, and half of such ways are taken to level off before"
    share, vehicles = seen
    return f"of {vehicles} vehicles here that were headed for a limit, {percent(share)} set a fault within 90 days"
