"""Learns what is normal, for all families together: panels in, one `Normal` a family out.

Learned in blocks of time. A block's model comes from readings before the block (the first block's from itself), so that
a later reading changes nothing that was computed for an earlier block. Small families lean on the others.
"""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from pipelines.bands.fit import Fit, fit_family
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.tails import tail_table
from pipelines.handover import Bools, Float64s, Panel

# Days since the fleet's first reading at which the model is learned anew.
BLOCK_STARTS = np.cumsum([0, 182, 91, 91, 182, 182, 364, 364, 728, 728, 728, 728])
ENOUGH_DAYS = 120  # a family's own past before a block that its model can be learned from
AUTHORITY_SIGMA = 0.04  # healthy noise as a share of half the authority, where nothing better is known
PRIOR_PAIRS = 40.0  # neighbouring readings that what other families show is worth
PRIOR_PEERS = 20.0  # vehicles read a week that other families' movements are worth
LEAST_WANDER = 1e-4  # variance of a healthy level's slow movement per day, in noise variances
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
    """Noise and movements of each family in one block, drawn to all families' by its readings' worth."""
    known: dict[str, list[tuple[float, Float64s]]] = defaultdict(list)
    moved: dict[str, list[tuple[float, Float64s]]] = defaultdict(list)
    for panel, fit in zip(panels, fits, strict=True):
        sigma = _floored_sigma(panel, fit)
        share = np.log(sigma / _half_authority(panel))
        move = np.stack([fit.season_move, fit.depot_move], axis=1) / sigma[:, None, None] ** 2
        for c, code in enumerate(panel.codes):
            known[code].append((fit.noise.pairs[c], share[c]))
            moved[code].append((fit.peers, move[c]))
    shares = {code: _mean(rows, PRIOR_PAIRS, np.log(AUTHORITY_SIGMA)) for code, rows in known.items()}
    moves = {code: _mean(rows, 0.0, 0.0) for code, rows in moved.items()}
    wander = _drawn_wander(fits)
    return [_drawn(panel, fit, shares, moves, own) for panel, fit, own in zip(panels, fits, wander, strict=True)]


def _drawn_wander(fits: Sequence[Fit]) -> list[Float64s]:
    """[C] of each family: wander in noise variances, drawn to the middle of all as far as chance spread it.

    An estimate is never below 0, so that chance alone would make half of all levels wander. Its error: that of the
    slope of a variogram over the time that was seen.
    """
    if not fits:
        return []
    sizes, errors = [], []
    for fit in fits:
        rho = np.exp(-WEEK / fit.noise.memory_days)
        seen = max(float(fit.day.max() - fit.day.min()), WEEK) * np.sqrt((np.diff(fit.row_start) > 0).sum())
        sizes.append(fit.noise.wander / np.maximum(fit.noise.sigma, 1e-12) ** 2)
        errors.append((1 + rho) / (1 - rho) / seen**2)
    every, error = np.concatenate(sizes), np.concatenate(errors)
    middle, upper = _quantiles(every, 1 / error, (0.5, 0.84))
    spread = max(float((upper - middle) ** 2 - 1 / np.mean(1 / error)), 0.0)
    return [(spread * own + err * middle) / (spread + err) for own, err in zip(sizes, errors, strict=True)]


def _quantiles(values: Float64s, weights: Float64s, shares: tuple[float, ...]) -> Float64s:
    """Weighted quantiles."""
    order = np.argsort(values)
    below = np.cumsum(weights[order]) / weights.sum()
    return values[order][np.minimum(np.searchsorted(below, shares), len(values) - 1)]


def _drawn(
    panel: Panel, fit: Fit, shares: dict[str, Float64s], moves: dict[str, Float64s], wander: Float64s
) -> dict[str, Float64s]:
    """One family's noise and movements, drawn to the means of all; its wander in noise variances."""
    noise = fit.noise
    prior = np.log(_half_authority(panel)) + np.array([shares[code] for code in panel.codes])
    weight = noise.pairs / (noise.pairs + PRIOR_PAIRS)
    sigma = np.exp(weight * np.log(_floored_sigma(panel, fit)) + (1 - weight) * prior)
    trust = fit.peers / (fit.peers + PRIOR_PEERS)
    common = np.array([moves[code] for code in panel.codes])
    own = np.stack([fit.season_move, fit.depot_move], axis=1) / sigma[:, None, None] ** 2
    season_move, depot_move = (trust * own + (1 - trust) * common).max(axis=2).T
    return {
        "sigma": sigma,
        "memory_days": noise.memory_days,
        "rounding": noise.rounding,
        "wander": np.maximum(wander, LEAST_WANDER) * sigma**2,
        "offset_sd": np.maximum(fit.offset_sd, sigma),
        "season_move": np.maximum(season_move, LEAST_MOVE) * sigma**2,
        "depot_move": np.maximum(depot_move, 0.0) * sigma**2,
    }


def _floored_sigma(panel: Panel, fit: Fit) -> Float64s:
    """[C] sigma, never below what rounding hides."""
    floor = np.maximum(np.nan_to_num(panel.resolution) / 4, 1e-3 * AUTHORITY_SIGMA * _half_authority(panel))
    return np.maximum(fit.noise.sigma, floor)


def _mean(rows: Sequence[tuple[float, Float64s]], prior_weight: float, prior: float) -> Float64s:
    """Weighted mean of (weight, value), with a prior."""
    weights = np.array([weight for weight, _ in rows])
    values = np.array([value for _, value in rows])
    total: Float64s = np.tensordot(weights, values, axes=1) + prior_weight * prior
    mean: Float64s = total / max(float(weights.sum()) + prior_weight, 1e-9)
    return mean


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
        stands_from=np.stack([fit.stands_from for fit in fits], axis=1),
        ageing=np.stack([fit.ageing for fit in fits], axis=1),
        tails=np.stack([tables[id(fit)] for fit in fits], axis=1),
        corrections=np.array([fit.corrections for fit in fits]),
        readings_a_year=np.array([fit.readings_a_year for fit in fits]),
        **stacked,
    )
