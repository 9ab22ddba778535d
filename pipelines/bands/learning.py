"""Learns what is normal, for all families together: panels in, one `Normal` a family out.

Learned in blocks of time. A block's model comes from readings before the block (the first block's from itself), so that
a later reading changes nothing that was computed for an earlier block. Small families lean on the others.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipelines.bands.built_in import ENOUGH_PEERS
from pipelines.bands.fit import Fit, fit_family
from pipelines.bands.normal import LEAST_WANDER, WEEK, Normal, days
from pipelines.bands.slow import Followed, learn_followed, pooled_followed
from pipelines.bands.spread import Spread, learn_spread, pooled_spreads
from pipelines.bands.tails import correlation, healthy_innovations, tail_table
from pipelines.handover import Bools, Float64s, Int32s, Int64s, Panel
from pipelines.learning_blocks import block_starts, has_past
from pipelines.threads import in_threads

AUTHORITY_SIGMA = 0.04  # healthy noise as a share of half the authority, where nothing better is known; judgement
PRIOR_PAIRS = 40.0  # neighbouring readings that what other families show is worth; judgement
PRIOR_PEERS = 20.0  # vehicles read a week that other families' movements are worth; judgement
# Memories that a span must have for wander and memory to be told apart well, by light fleets; measured, by light
# fleets.
ALIKE = 20.0
LEAST_MOVE = 0.005  # variance of a season's movement in a week, in noise variances; judgement


Shown = tuple[int, float, Float64s]  # what a family shows: how far to trust it, its weight, the value


def learn_normals(
    panels: Sequence[Panel], *, fleet_start: float, settled: Sequence[Bools], known: Sequence[Normal] = ()
) -> list[Normal]:
    """Each family's normal.

    Args:
        panels: The families, each with readings and corrections.
        fleet_start: Day (since 1970) of the fleet's first reading, from which blocks are counted.
        settled: Of each family [C, R]: False while relearning.
        known: Each family's first blocks, as many of all, where they are known already; they are taken as they are.
    """
    last = max((float(days(panel).max()) for panel in panels), default=fleet_start)
    starts = block_starts(fleet_start, last)
    ends = [_ends(panel, starts) for panel in panels]
    done = min((len(normal.starts) for normal in known), default=0)
    wanted = sorted({(f, end) for f, of_family in enumerate(ends) for end in of_family[done:]}, key=lambda job: -job[1])
    fitted = in_threads(lambda job: fit_family(panels[job[0]], settled=settled[job[0]], until=job[1]), wanted)
    fits = dict(zip(wanted, fitted, strict=True))
    learned = [[fits[f, end] for end in of_family[done:]] for f, of_family in enumerate(ends)]
    trusted = _trusted(np.array([days(panel).min() for panel in panels]), starts)
    by_block = [_pooled(panels, [fit[b] for fit in learned], trusted[:, done + b]) for b in range(len(starts) - done)]
    spreads = _spreads(panels, learned, by_block)
    drawn = [
        pooled_spreads([spreads[id(fit[b])] for fit in learned], trusted[:, done + b]) for b in range(len(by_block))
    ]
    followed = _followed(learned, by_block, spreads, drawn)
    follows = [
        pooled_followed([followed[id(fit[b])] for fit in learned], trusted[:, done + b]) for b in range(len(by_block))
    ]
    if not by_block:
        return [replace(normal, block=_block(panel, starts)) for panel, normal in zip(panels, known, strict=True)]
    new = [
        _normal(panel, starts, learned[f], [block[f] for block in by_block],
                [(spreads[id(fit)], *differ[f], float(follow[f]))
                 for fit, differ, follow in zip(learned[f], drawn, follows, strict=True)])
        for f, panel in enumerate(panels)
    ]  # fmt: skip
    return [before.followed_by(after) for before, after in zip(known, new, strict=True)] if done else new


def _spreads(
    panels: Sequence[Panel], learned: Sequence[Sequence[Fit]], by_block: Sequence[Sequence[dict[str, Float64s]]]
) -> dict[int, Spread]:
    """How differently the vehicles of each fit scatter, by its id; under the noise of the first block it serves."""
    jobs: dict[int, tuple[Panel, Fit, dict[str, Float64s]]] = {}
    for f, panel in enumerate(panels):
        for fit, block in zip(learned[f], by_block, strict=True):
            jobs.setdefault(id(fit), (panel, fit, block[f]))

    def learn(job: tuple[Panel, Fit, dict[str, Float64s]]) -> Spread:
        panel, fit, noise = job
        return learn_spread(
            fit.healthy, fit.epoch, fit.row_start, fit.day, noise, np.nan_to_num(panel.resolution)
        )  # fmt: skip

    return dict(zip(jobs, in_threads(learn, list(jobs.values())), strict=True))


def _followed(
    learned: Sequence[Sequence[Fit]], by_block: Sequence[Sequence[dict[str, Float64s]]], spreads: dict[int, Spread],
    drawn: Sequence[Sequence[tuple[float, float]]],
) -> dict[int, Followed]:  # fmt: skip
    """How the wander of each fit follows the scatter of its vehicles, by its id; as `_spreads`."""
    jobs: dict[int, tuple[Fit, dict[str, Float64s], tuple[float, float]]] = {}
    for f, of_family in enumerate(learned):
        for fit, block, differ in zip(of_family, by_block, drawn, strict=True):
            jobs.setdefault(id(fit), (fit, block[f], differ[f]))

    def learn(job: tuple[Fit, dict[str, Float64s], tuple[float, float]]) -> Followed:
        fit, noise, differ = job
        return learn_followed(fit, noise, spreads[id(fit)].scales(*differ))

    return dict(zip(jobs, in_threads(learn, list(jobs.values())), strict=True))


def settled_blocks(panels: Sequence[Panel], *, fleet_start: float, until: float) -> int:
    """How many of the first blocks rest on nothing later than the day `until`, in every family read before it."""
    last = max((float(days(panel).max()) for panel in panels), default=fleet_start)
    starts = block_starts(fleet_start, last)
    known = [_ends(panel, starts) for panel in panels if days(panel).min() < until]
    return min((int(np.argmin([*(end <= until for end in of_family), False])) for of_family in known), default=0)


def _ends(panel: Panel, starts: Float64s) -> list[float]:
    """[B] day before which the readings lie that a block is learned from.

    Its start, or where the family has no past of its own by then, the end of the block, or its first reading.
    """
    first = float(days(panel).min())
    nexts = np.append(starts, np.inf)[1:]
    ends = np.where(has_past(first, starts), starts, nexts)
    return [float(end) for end in np.maximum(ends, np.nextafter(first, np.inf))]


def _trusted(first: Float64s, starts: Float64s) -> Int64s:
    """[F, B] how far what a family's block shows counts for others: 2 it rests on a past, 1 on itself, 0 on later."""
    nexts = np.append(starts, np.inf)[1:]
    return np.where(has_past(first, starts), 2, np.where(first[:, None] < nexts[None], 1, 0))


def _pooled(panels: Sequence[Panel], fits: Sequence[Fit], trusted: Int64s) -> list[dict[str, Float64s]]:
    """Noise and movements of each family in one block, drawn to all families' by its readings' worth.

    Of the families that have a correction, those count whose fit can be trusted most: so what a family shows in its
    first block changes nothing that was computed for an elder one.
    """
    known: dict[str, list[Shown]] = defaultdict(list)
    moved: dict[str, list[tuple[bool, Shown]]] = defaultdict(list)
    for panel, fit, trust in zip(panels, fits, trusted, strict=True):
        sigma = _floored_sigma(panel, fit)
        share = np.log(sigma / fit.half_authority)
        move = np.stack([fit.season_move, fit.depot_move], axis=1) / sigma[:, None, None] ** 2
        for c, code in enumerate(panel.codes):
            known[code].append((trust, fit.noise.pairs[c], share[c]))
            moved[code].append((fit.few, (trust, fit.peers, move[c])))
    shares = {code: _mean(rows, PRIOR_PAIRS, np.log(AUTHORITY_SIGMA)) for code, rows in known.items()}
    moves = {code: _movement(rows) for code, rows in moved.items()}
    wander = _drawn_wander(fits, [_floored_sigma(*pair) for pair in zip(panels, fits, strict=True)], trusted)
    return [
        _drawn(panel, fit, shares, moves, its_wander)
        for panel, fit, its_wander in zip(panels, fits, wander, strict=True)
    ]


def _movement(rows: Sequence[tuple[bool, Shown]]) -> Float64s:
    """[2, lags] how a correction's season and depots move, by families with vehicles enough to show it.

    Where there are none, the middle of so many families as it takes vehicles: of few vehicles one that drifts is a good
    part of its family, but not of the families; and fewer show nothing.
    """
    large = [shown for few, shown in rows if not few]
    if large:
        return _mean(large, 0.0, 0.0)
    most = max(trust for _, (trust, _, _) in rows)
    values = np.array([value for _, (trust, _, value) in rows if trust == most])
    middle: Float64s = np.median(values, axis=0) if len(values) >= ENOUGH_PEERS else np.zeros_like(values[0])
    return middle


def _drawn_wander(fits: Sequence[Fit], sigmas: Sequence[Float64s], trusted: Int64s) -> list[Float64s]:
    """[C] of each family: wander in noise variances, drawn to the middle of all as far as chance spread it.

    An estimate is never below 0, so that chance alone would make half of all levels wander. Its error: that of the
    slope of a variogram over the time that was seen, and more where noise lasts so long that it wanders itself. The
    middle is that of the families that can be trusted most.
    """
    if not fits:
        return []
    sizes, errors = [], []
    for fit, sigma in zip(fits, sigmas, strict=True):
        rho = np.exp(-WEEK / fit.noise.memory_days)
        span = max(float(fit.day.max() - fit.day.min()), WEEK)
        alike = 1 + ALIKE * fit.noise.memory_days / span
        sizes.append(fit.noise.wander / sigma**2)
        errors.append((1 + rho) / (1 - rho) * alike**2 / (span**2 * (np.diff(fit.row_start) > 0).sum()))
    elder = np.flatnonzero(trusted == trusted.max())
    every, error = np.concatenate([sizes[f] for f in elder]), np.concatenate([errors[f] for f in elder])
    middle, upper = np.quantile(every, (0.5, 0.84), weights=1 / error, method="inverted_cdf")
    spread = max(float((upper - middle) ** 2 - 1 / np.mean(1 / error)), 0.0)
    return [(spread * size + err * middle) / (spread + err) for size, err in zip(sizes, errors, strict=True)]


def _drawn(
    panel: Panel, fit: Fit, shares: dict[str, Float64s], moves: dict[str, Float64s], wander: Float64s
) -> dict[str, Float64s]:
    """One family's noise and movements, drawn to the means of all; its wander in noise variances."""
    noise = fit.noise
    prior = np.log(fit.half_authority) + np.array([shares[code] for code in panel.codes])
    weight = noise.pairs / (noise.pairs + PRIOR_PAIRS)
    sigma = np.exp(weight * np.log(_floored_sigma(panel, fit)) + (1 - weight) * prior)
    trust = 0.0 if fit.few else fit.peers / (fit.peers + PRIOR_PEERS)
    common = np.array([moves[code] for code in panel.codes])
    family_moves = np.stack([fit.season_move, fit.depot_move], axis=1) / sigma[:, None, None] ** 2
    season_move, depot_move = (trust * family_moves + (1 - trust) * common).max(axis=2).T
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
    floor = np.maximum(np.nan_to_num(panel.resolution) / 4, 1e-3 * AUTHORITY_SIGMA * fit.half_authority)
    return np.maximum(fit.noise.sigma, floor)


def _mean(rows: Sequence[Shown], prior_weight: float, prior: float) -> Float64s:
    """Weighted mean of the values that can be trusted most, with a prior."""
    most = max(trust for trust, _, _ in rows)
    weights = np.array([weight for trust, weight, _ in rows if trust == most])
    values = np.array([value for trust, _, value in rows if trust == most])
    total: Float64s = np.tensordot(weights, values, axes=1) + prior_weight * prior
    mean: Float64s = total / max(float(weights.sum()) + prior_weight, 1e-9)
    return mean


def _normal(
    panel: Panel, starts: Float64s, fits: Sequence[Fit], pooled: Sequence[dict[str, Float64s]],
    scatters: Sequence[tuple[Spread, float, float, float]],
) -> Normal:  # fmt: skip
    """The last blocks, those that were fitted.

    Args:
        panel: The family's.
        starts: [B] of all blocks.
        fits: Of the last blocks.
        pooled: Their noise and movements.
        scatters: How differently their vehicles scatter, the variances of vehicles' and series' scales, drawn, and how
            wander follows them.
    """
    stacked = {name: np.stack([block[name] for block in pooled], axis=1) for name in pooled[0]}
    tables: dict[int, tuple[Float64s, Float64s]] = {}
    for fit, block, (spread, *differ, followed) in zip(fits, pooled, scatters, strict=True):
        if id(fit) not in tables:
            innovations = healthy_innovations(fit, block, spread.scales(*differ), followed)
            tables[id(fit)] = tail_table(innovations), correlation(innovations)
    return Normal(
        block=_block(panel, starts),
        starts=starts[-len(fits) :],
        centre=np.stack([fit.centre for fit in fits], axis=1),
        stands_from=np.stack([fit.stands_from for fit in fits], axis=1),
        ageing=np.stack([fit.ageing for fit in fits], axis=1),
        depot_spread=np.stack([fit.depot_spread for fit in fits], axis=1),
        duty_spread=np.stack([fit.duty_spread for fit in fits], axis=1),
        tails=np.stack([tables[id(fit)][0] for fit in fits], axis=1),
        correlation=np.stack([tables[id(fit)][1] for fit in fits], axis=1),
        corrections=np.array([fit.corrections for fit in fits]),
        readings_a_year=np.array([fit.readings_a_year for fit in fits]),
        mean_scale=np.stack([spread.mean for spread, *_ in scatters], axis=1),
        vehicle_spread=np.array([vehicle for _, vehicle, _, _ in scatters]),
        series_spread=np.array([series for _, _, series, _ in scatters]),
        occasion_error=np.array([spread.occasion for spread, *_ in scatters]),
        occasion_information=np.array([spread.information for spread, *_ in scatters]),
        reading_error=np.array([spread.reading for spread, *_ in scatters]),
        wander_followed=np.array([followed for *_, followed in scatters]),
        **stacked,
    )


def _block(panel: Panel, starts: Float64s) -> Int32s:
    """[R] the block of each row."""
    return (np.searchsorted(starts, days(panel), side="right") - 1).astype(np.int32)
