"""Which check settles most of the doubt about the cause a minute: `cause_ranking` in, the contract's `next_check` out.

The doubt is the entropy of the causes and 'none of these'; a check is worth the entropy that its result is expected to
remove (Lindley 1956, Annals of Mathematical Statistics 27(4), 986-1005), over the minutes it takes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.check_results import result_ratio
from pipelines.causes.knowledge import Check, causes, checks
from pipelines.handover import Float64s

NONE = "none_of_these"
OFFERED = 5  # checks of a vehicle that are listed
WORTH_DOING = 0.02  # share of the doubt below which a check is not worth its name
ASKED_FROM = 0.10  # probability of any cause from which a vehicle is worth a check (judgement)
MOST_RESULTS = 3
AT_ONCE = 16  # vehicles, so that what is worked on stays near the processor


@dataclass(frozen=True, kw_only=True)
class _Knowledge:
    """All checks as arrays; causes in the order of the knowledge, none of them last."""

    checks: tuple[Check, ...]
    causes: tuple[str, ...]
    chances: Float64s  # [checks, causes + 1, results]; results that a check lacks: 0
    minutes: Float64s  # [checks]


@cache
def _knowledge() -> _Knowledge:
    known, names = tuple(checks().values()), (*causes(), NONE)
    chances = np.zeros((len(known), len(names), MOST_RESULTS))
    for i, check in enumerate(known):
        for j, cause in enumerate(names):
            told = check.chances(cause)
            chances[i, j, : len(told)] = told
    return _Knowledge(checks=known, causes=names, chances=chances, minutes=np.array([check.minutes for check in known]))


def next_checks(
    cause_ranking: pl.DataFrame, results: Mapping[str, Sequence[tuple[str, str]]], *, most: int = OFFERED
) -> pl.DataFrame:
    """The contract's `next_check`: for each vehicle that may have a cause, what to look at first.

    Args:
        cause_ranking: The contract's table; what checks found is in it already.
        results: By vehicle: checks that were done, with their result; they are not offered again.
        most: Checks listed of a vehicle.

    Returns:
        Rows by vehicle and rank; a vehicle of which nothing is in doubt has none.
    """
    known = _knowledge()
    ranked = cause_ranking.filter(pl.col("cause").is_in(known.causes))
    ill = ranked.filter(pl.col("cause") != NONE).filter(pl.col("probability").sum().over("vehicle_id") >= ASKED_FROM)
    ids = ill["vehicle_id"].unique(maintain_order=True).to_list()
    chance = _by_cause(ranked.filter(pl.col("vehicle_id").is_in(ids)), ids, known.causes)
    settles = settled_shares(chance)
    worth = settles / known.minutes
    places = _places(ill)
    rows: list[dict[str, object]] = []
    for v, vehicle in enumerate(ids):
        done = {check_id for check_id, _ in results.get(vehicle, ())}
        order = [int(i) for i in np.argsort(-worth[v], kind="stable") if settles[v, i] >= WORTH_DOING]
        offered = [i for i in order if known.checks[i].id not in done][:most]
        for rank, i in enumerate(offered, start=1):
            rows.append(_row(vehicle, rank, known.checks[i], float(settles[v, i]), places[vehicle]))
    return pl.DataFrame(rows, schema=published_tables()["next_check"].schema)


def settled_shares(chance: Float64s) -> Float64s:
    """[V, checks] expected share of the doubt that each check removes, 0-1; 0 where there is none.

    Args:
        chance: [V, causes + 1], in the order of the knowledge, none of them last; rows sum to 1.
    """
    parts = [_settled(chance[first : first + AT_ONCE]) for first in range(0, len(chance), AT_ONCE)]
    return np.concatenate(parts) if parts else np.zeros((0, len(_knowledge().checks)))


def _settled(chance: Float64s) -> Float64s:
    """The same of a few vehicles at once."""
    doubt, some = _entropy(chance)[:, None], chance.any(axis=0)
    joint = chance[:, None, some, None] * _knowledge().chances[:, some]  # [V, checks, causes, results]
    total = joint.sum(axis=2)
    left = (total * _entropy(joint / np.maximum(total, 1e-12)[:, :, None], axis=2)).sum(axis=2)
    shares: Float64s = np.clip(1.0 - left / np.maximum(doubt, 1e-9), 0.0, 1.0)
    return np.where(doubt > 1e-9, shares, 0.0)


@cache
def parting_check(one: str, other: str) -> Check:
    """The check that is expected to tell two causes apart soonest, were both as likely."""
    known = _knowledge()
    chance = np.zeros((1, len(known.causes)))
    chance[0, [known.causes.index(one), known.causes.index(other)]] = 0.5
    return known.checks[int((settled_shares(chance)[0] / known.minutes).argmax())]


def after_results(
    cause_ranking: pl.DataFrame,
    results: Sequence[tuple[str, str]],
    *,
    instead_of: Sequence[tuple[str, str]] = (),
) -> pl.DataFrame:
    """One vehicle's rows of `cause_ranking` once more checks were done: probabilities and ranks anew.

    Args:
        cause_ranking: Its rows, of the newest analysis.
        results: Check and result, of checks that the analysis did not know.
        instead_of: Those that it knew and that were corrected since.
    """
    factor = [
        float(
            np.prod([result_ratio(check, result, cause) for check, result in results])
            / np.prod([result_ratio(check, result, cause) for check, result in instead_of])
        )
        for cause in cause_ranking["cause"]
    ]
    told = cause_ranking.with_columns(probability=pl.col("probability") * pl.Series(factor, dtype=pl.Float64))
    return (
        told.with_columns(pl.col("probability") / pl.col("probability").sum())
        .sort("probability", "cause", descending=[True, False], maintain_order=True)
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
    )


def _by_cause(ranked: pl.DataFrame, ids: Sequence[str], names: Sequence[str]) -> Float64s:
    row = {vehicle: v for v, vehicle in enumerate(ids)}
    column = {cause: k for k, cause in enumerate(names)}
    chance = np.zeros((len(ids), len(names)))
    for vehicle, cause, probability in ranked.select("vehicle_id", "cause", "probability").iter_rows():
        chance[row[vehicle], column[cause]] += probability
    total: Float64s = np.maximum(chance.sum(axis=1, keepdims=True), 1e-12)
    return chance / total


def _entropy(chance: Float64s, *, axis: int = 1) -> Float64s:
    logs: Float64s = np.log(np.where(chance > 0, chance, 1.0))
    entropy: Float64s = -(chance * logs).sum(axis=axis)
    return entropy


def _places(ill: pl.DataFrame) -> dict[str, dict[str, str]]:
    """By vehicle and cause: the likeliest place in words, empty: the whole engine."""
    found: dict[str, dict[str, str]] = {}
    for vehicle, cause, bank, cylinder in (
        ill.sort("vehicle_id", "rank").select("vehicle_id", "cause", "bank", "cylinder").iter_rows()
    ):
        place = f"cylinder {cylinder}" if cylinder is not None else f"bank {bank}" if bank is not None else ""
        found.setdefault(vehicle, {}).setdefault(cause, place)
    return found


def _row(vehicle: str, rank: int, check: Check, settles: float, places: Mapping[str, str]) -> dict[str, object]:
    told = next((place for cause, place in places.items() if cause in check.tells and place), "")
    return {
        "vehicle_id": vehicle,
        "rank": rank,
        "check_id": check.id,
        "title": f"{check.title} ({told})" if told else check.title,
        "minutes": check.minutes,
        "settles": settles,
        "results": "|".join(f"{result}: {words}" for result, words in check.results.items()),
    }
