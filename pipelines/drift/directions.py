"""Directions in which a family's corrections move together: knowledge and its noise in, weights of innovations out.

A pattern is what a cause does to the corrections, or one bank, or one cylinder, moving alone; its direction is the sum
of innovations that shows it best where noise goes together (generalised least squares), so that a contrast needs no
rule of its own. Of all patterns, those directions are followed that shorten the way to an alarm most.

Source: Hawkins (1991), Technometrics 33(1), 61-75, regression-adjusted variables.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

from pipelines.bands.normal import SCORES, Normal
from pipelines.causes.hypotheses import engine_layout, hypotheses
from pipelines.causes.knowledge import causes
from pipelines.handover import Evidence, Float64s, Int32s, Int64s, Panel

ONE_IN = 12  # corrections a direction: time grows by a twelfth at most; judgement
LEAST_VEHICLES = 30  # of a family that show what goes together; judgement
LEAST_WEIGHT = 0.2  # of the largest, below which a correction stays out of a direction; judgement
MOST_MEMBERS = 24  # of a direction, those that weigh most: what each reading costs grows by the square; judgement
LEAST_READ = 0.3  # variance of those that were read, of all, for a reading of the direction; judgement
CONTRAST = 0.3  # how usual a bank or a cylinder that moves by itself is, in causes; judgement


@dataclass(frozen=True, kw_only=True)
class Patterns:
    """What may move together in a family: signed share of each correction's way [H, C], and how usual each is [H].

    even: [H] whether shares are sigmas, not of the way to a limit.
    """

    share: Float64s
    usual: Float64s
    even: np.ndarray

    def sizes(self, panel: Panel, normal: Normal) -> Float64s:
        """[H, C] in sigmas of the first block's noise, the largest of each 1; a limit that is not known: 0."""
        centre, sigma = normal.centre[:, 0, -1], normal.sigma[:, 0]
        way = np.where(self.share > 0, panel.high_limit - centre, centre - panel.low_limit) / sigma
        size = np.nan_to_num(self.share * np.where(self.even[:, None], 1.0, way))
        largest = np.abs(size).max(axis=1, initial=0.0, keepdims=True)
        of_largest: Float64s = size / np.where(largest > 0, largest, 1.0)
        return of_largest


@dataclass(frozen=True, kw_only=True)
class Direction:
    """members: [M] of the corrections. pattern: [M] how far each moves. weights: [B, M]. together: [B, M, M]."""

    members: Int64s
    pattern: Float64s
    weights: Float64s
    together: Float64s


def patterns(panel: Panel, evidence: Evidence) -> Patterns:
    """By the causes' signatures, and by banks and cylinders of the catalogue."""
    rows = evidence.corrections.filter(pl.col("code").is_in(panel.codes))
    known = hypotheses(panel.codes, engine_layout(evidence.families, panel.family, rows))
    mean = np.mean([cause.prior for cause in causes().values()])
    alone = _alone(panel, rows)
    return Patterns(
        share=np.array([*(one.share for one in known), *alone]).reshape(-1, len(panel.codes)),
        usual=np.array([*(one.prior * one.cause.prior / mean for one in known), *(CONTRAST for _ in alone)]),
        even=np.arange(len(known) + len(alone)) >= len(known),
    )


def _alone(panel: Panel, rows: pl.DataFrame) -> list[Float64s]:
    """[C] each: the corrections of one kind on one bank, or of one cylinder."""
    place = {code: index for index, code in enumerate(panel.codes)}
    ordered = rows.with_columns(at=pl.col("code").replace_strict(place, default=None)).sort("at")
    patterns_alone: list[Float64s] = []
    for of, mine in (
        ("bank", ordered.filter(pl.col("cylinder").is_null() & pl.col("bank").is_not_null())),
        ("cylinder", ordered.filter(pl.col("cylinder").is_not_null())),
    ):
        for _, kind in mine.group_by("group", of, maintain_order=True):
            if kind.height > 1:
                patterns_alone.append(np.isin(np.arange(len(panel.codes)), kind["at"].to_numpy()).astype(np.float64))
    return patterns_alone


def directions(known: Patterns, panel: Panel, normal: Normal) -> list[Direction]:
    """Those that a family follows, one in `ONE_IN` corrections; few vehicles show none.

    Each in turn is the one that adds most to the signal over noise of all patterns, in logs, as usual as they are.
    """
    size = known.sizes(panel, normal)
    size, usual = size[size.any(axis=1)], known.usual[size.any(axis=1)]
    if len(panel.vehicles) < LEAST_VEHICLES or not len(size):
        return []
    together = normal.correlation[:, 0]
    weights = np.linalg.solve(together, size.T).T
    least = LEAST_WEIGHT * np.abs(weights).max(axis=1, keepdims=True)
    rank = np.argsort(np.argsort(-np.abs(weights), axis=1, kind="stable"), axis=1)
    weights = np.where((np.abs(weights) > least) & (rank < MOST_MEMBERS), weights, 0.0)
    weights /= np.sqrt(((weights @ together) * weights).sum(axis=1, keepdims=True))
    response = np.log(np.maximum(np.abs(weights @ size.T), 1e-9))  # of pattern j by direction i; 0: as by one alone
    best, chosen = np.zeros(len(size)), []
    for _ in range(len(panel.codes) // ONE_IN):
        gain = (usual * np.maximum(response - best, 0.0)).sum(axis=1)
        k = int(gain.argmax())
        if gain[k] <= 0:
            break
        chosen.append(_direction(np.flatnonzero(weights[k]), size[k], normal))
        best = np.maximum(best, response[k])
    return chosen


def _direction(members: Int64s, size: Float64s, normal: Normal) -> Direction:
    """Weighted anew in each block, by what was learned for it."""
    together = np.stack([normal.correlation[members, b][:, members] for b in range(len(normal.starts))])
    weights = np.linalg.solve(together, np.broadcast_to(size[members][:, None], (len(together), len(members), 1)))
    return Direction(members=members, pattern=size[members], weights=weights[:, :, 0], together=together)


def combined(direction: Direction, scores: np.ndarray, block: Int32s) -> np.ndarray:
    """[R] innovations of a direction, in their own sd and cut as `SCORES` are, of its members'; NaN: too few were read.

    Row by row in a fixed order, so that a row's sum does not depend on what else there is.

    Args:
        direction: One of a family's.
        scores: [M, R] normal scores of its members' innovations; NaN: not read.
        block: [R] of time.
    """
    out = np.full(len(block), np.nan, dtype=np.float32)
    for b in np.unique(block):
        rows = np.flatnonzero(block == b)
        mine = scores[:, rows].astype(np.float64)
        read, weight, together = np.isfinite(mine), direction.weights[b], direction.together[b]
        total, variance = np.zeros(len(rows)), np.zeros(len(rows))
        for m, w in enumerate(weight):
            total += w * np.nan_to_num(mine[m])
            variance += w * w * read[m]
        for m, n in combinations(range(len(weight)), 2):
            variance += 2 * weight[m] * weight[n] * together[m, n] * (read[m] & read[n])
        enough = variance > LEAST_READ * (weight @ together @ weight)
        out[rows[enough]] = np.clip(total[enough] / np.sqrt(variance[enough]), -SCORES[-1], SCORES[-1])
    return out
