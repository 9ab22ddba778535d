"""Learns what is normal, for all families together: panels in, one `Normal` a family out.

Learned in blocks of time. A block's model comes from readings before the block (the first block's from itself), so that
a later reading changes nothing that was computed for an earlier block. Small families lean on the others.
"""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from pipelines.bands.fit import Fit, fit_family
from pipelines.bands.normal import Normal, days
from pipelines.bands.tails import tail_table
from pipelines.handover import Bools, Float64s, Panel

# Days since the fleet's first reading at which the model is learned anew.
BLOCK_STARTS = np.cumsum([0, 182, 91, 91, 182, 182, 364, 364, 728, 728, 728, 728])
ENOUGH_DAYS = 120  # a family's own past before a block that its model can be learned from
AUTHORITY_SIGMA = 0.04  # healthy noise as a share of half the authority, where nothing better is known
PRIOR_PAIRS = 40.0  # neighbouring readings that what other families show is worth
PRIOR_PEERS = 20.0  # vehicles read a week that other families' movements are worth
LEAST_WANDER = 3e-4  # variance of a healthy level's slow movement per day, in noise variances
LEAST_MOVE = 0.005  # variance of a season's movement in a week, in noise variances


def learn_normals(panels: Sequence[Panel], *, fleet_start: float, settled: Sequence[Bools]) -> list[Normal]:
    """Each family's normal.

    Args:
        panels: The families, each with readings and corrections.
        fleet_start: Day (since 1970) of the fleet's first reading, from which blocks are counted.
        settled: Of each family [C, R]: False while relearning.
    """
    last = max((float(days(panel).max()) for panel in panels), default=fleet_start)
    starts = fleet_start + BLOCK_STARTS
    starts = starts[starts <= last]
    fits = [_fits(panel, starts, rows) for panel, rows in zip(panels, settled, strict=True)]
    by_block = [_pooled(panels, [fit[b] for fit in fits]) for b in range(len(starts))]
    return [_normal(panel, starts, fits[f], [block[f] for block in by_block]) for f, panel in enumerate(panels)]


def _fits(panel: Panel, starts: Float64s, settled: Bools) -> list[Fit]:
    """One fit a block; a block before the family has any past of its own takes the first that has."""
    first = days(panel).min()
    fits: dict[float, Fit] = {}
    ends = []
    for index, start in enumerate(starts):
        end = start if start - first >= ENOUGH_DAYS else np.append(starts, np.inf)[index + 1]
        ends.append(max(end, np.nextafter(first, np.inf)))
    for end in ends:
        if end not in fits:
            fits[end] = fit_family(panel, settled=settled, until=end)
    return [fits[end] for end in ends]


def _pooled(panels: Sequence[Panel], fits: Sequence[Fit]) -> list[dict[str, Float64s]]:
    """Noise and movements of each family in one block, drawn to those of all families by what its readings are worth."""
    known: dict[str, list[tuple[float, float, float, float]]] = defaultdict(list)
    for panel, fit in zip(panels, fits, strict=True):
        noise, half = fit.noise, _half_authority(panel)
        floor = np.maximum(np.nan_to_num(panel.resolution) / 4, 1e-3 * AUTHORITY_SIGMA * half)
        share = np.maximum(noise.sigma, floor) / half
        for c, code in enumerate(panel.codes):
            variance = max(noise.sigma[c], floor[c]) ** 2
            known[code].append((noise.pairs[c], np.log(share[c]), fit.peers, fit.season_move[c] / variance))
    means = {code: _means(rows) for code, rows in known.items()}
    answer = []
    for panel, fit in zip(panels, fits, strict=True):
        noise, half = fit.noise, _half_authority(panel)
        floor = np.maximum(np.nan_to_num(panel.resolution) / 4, 1e-3 * AUTHORITY_SIGMA * half)
        prior = np.array([means[code][0] for code in panel.codes]) + np.log(half)
        weight = noise.pairs / (noise.pairs + PRIOR_PAIRS)
        sigma = np.exp(weight * np.log(np.maximum(noise.sigma, floor)) + (1 - weight) * prior)
        trust = fit.peers / (fit.peers + PRIOR_PEERS)
        move = trust * fit.season_move / sigma**2 + (1 - trust) * np.array([means[code][1] for code in panel.codes])
        answer.append(
            {
                "sigma": sigma,
                "memory_days": noise.memory_days,
                "rounding": noise.rounding,
                "wander": np.maximum(noise.wander, LEAST_WANDER * sigma**2),
                "offset_sd": np.maximum(fit.offset_sd, sigma),
                "season_move": np.maximum(move, LEAST_MOVE) * sigma**2,
                "depot_move": fit.depot_move,
            }
        )
    return answer


def _means(rows: list[tuple[float, float, float, float]]) -> tuple[float, float]:
    """What all families show of one correction: log of sigma as a share of the authority, and season's movement."""
    pairs, log_share, peers, move = np.array(rows).T
    prior = np.log(AUTHORITY_SIGMA)
    share = (pairs @ log_share + PRIOR_PAIRS * prior) / (pairs.sum() + PRIOR_PAIRS)
    return float(share), float(peers @ move / max(peers.sum(), 1e-9))


def _half_authority(panel: Panel) -> Float64s:
    """[C] half the authority; where the catalogue names none, what readings span."""
    half = (panel.high_limit - panel.low_limit) / 2
    with np.errstate(invalid="ignore"):
        usable = np.isfinite(half) & (half > 0)
    if usable.all():
        return half
    span = np.array([np.nanstd(column) if np.isfinite(column).any() else 0.0 for column in panel.values.T])
    return np.where(usable, half, np.maximum(10 * span, 1e-9))


def _normal(panel: Panel, starts: Float64s, fits: Sequence[Fit], pooled: Sequence[dict[str, Float64s]]) -> Normal:
    stacked = {name: np.stack([block[name] for block in pooled], axis=1) for name in pooled[0]}
    tables: dict[int, Float64s] = {}
    for fit, block in zip(fits, pooled, strict=True):
        if id(fit) not in tables:
            tables[id(fit)] = tail_table(fit, block)
    return Normal(
        block=(np.searchsorted(starts, days(panel), side="right") - 1).astype(np.int32),
        starts=starts,
        centre=np.stack([fit.centre for fit in fits], axis=1),
        ageing=np.stack([fit.ageing for fit in fits], axis=1),
        tails=np.stack([tables[id(fit)] for fit in fits], axis=1),
        **stacked,
    )
