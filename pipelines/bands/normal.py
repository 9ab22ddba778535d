"""What is normal in a family: panel in, centre, spread of vehicles, ageing and noise out, learned in blocks of time.

A block's model is learned from readings before the block (the first block's from itself), so that a later reading
changes nothing that was computed for an earlier block.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.noise import Noise, fit_noise
from pipelines.handover import Bools, Float64s, Int32s, Int64s, Panel

BLOCK_STARTS = np.cumsum(
    [0, 182, 91, 91, 182, 182, 364, 364, 728, 728, 728, 728]
)  # days since the fleet's first reading
ENOUGH_DAYS = 120  # a family's own past before a block that its model can be learned from
SAMPLE = 200  # vehicles a family's noise is learned from
AUTHORITY_SIGMA = 0.02  # prior sd of healthy noise as a share of half the authority
PRIOR_PAIRS = 60.0  # neighbouring readings that the prior is worth
PRIOR_VEHICLES = 3.0
PRIOR_OFFSET = 3.0  # prior sd of vehicles' levels, in sigmas of the noise
WEEK = 7.0
SCORES = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5])  # normal scores at which a tail table has its knots


@dataclass(frozen=True, kw_only=True)
class Normal:
    """A family's normal: B blocks, C corrections, K calibrations.

    block: [R] the block of each row. starts: [B] days since 1970. centre: [C, B, K]. ageing: [C, B] per km. km: the
    odometer that the centre is meant for. sigma, memory_days, rounding (variance), wander (variance per day),
    offset_sd, season_move, depot_move (variances of a week's movement): [C, B]. tails: [C, B, 8] innovations, in their
    own sd, whose normal scores are `SCORES`.
    """

    block: Int32s
    starts: Float64s
    centre: Float64s
    ageing: Float64s
    km: float
    sigma: Float64s
    memory_days: Float64s
    rounding: Float64s
    wander: Float64s
    offset_sd: Float64s
    season_move: Float64s
    depot_move: Float64s
    tails: Float64s

    def model(self, c: int) -> Float64s:
        """[B, 5] healthy noise of one correction, as the filter takes it."""
        return np.stack(
            [self.sigma[c], self.memory_days[c], self.rounding[c], self.wander[c], self.offset_sd[c]], axis=1
        )


def days(panel: Panel) -> Float64s:
    """[R] reading times in days since 1970."""
    return panel.read_at.astype("datetime64[us]").astype(np.int64) / 86_400e6


def vehicle_of_row(panel: Panel) -> Int32s:
    """[R] index into the panel's vehicles."""
    return np.repeat(np.arange(len(panel.vehicles), dtype=np.int32), np.diff(panel.row_start))


def learn_normal(panel: Panel, *, fleet_start: float, settled: Bools) -> Normal:
    """Learn a family's normal, block by block.

    Args:
        panel: The family's readings.
        fleet_start: Day (since 1970) of the fleet's first reading, from which blocks are counted.
        settled: [C, R] False while relearning.
    """
    day = days(panel)
    starts = fleet_start + BLOCK_STARTS
    starts = starts[starts <= max(day.max(initial=fleet_start), fleet_start)]
    block = (np.searchsorted(starts, day, side="right") - 1).astype(np.int32)
    first_day = day.min(initial=np.inf)
    km = float(np.nanmedian(panel.km)) if np.isfinite(panel.km).any() else 0.0
    fits = []
    for index, start in enumerate(starts):
        end = start if start - first_day >= ENOUGH_DAYS else np.append(starts, np.inf)[index + 1]
        fits.append(_fit(panel, day, settled, day < end, km) if (day < end).any() else None)
    known = next(fit for fit in fits if fit is not None)
    return _stacked([fit or known for fit in fits], block, starts, km)


@dataclass(frozen=True, kw_only=True)
class _Fit:
    noise: Noise
    centre: Float64s
    ageing: Float64s
    offset_sd: Float64s
    season_move: Float64s
    depot_move: Float64s


def _stacked(fits: list[_Fit], block: Int32s, starts: Float64s, km: float) -> Normal:
    def stack(pick: str, of_noise: bool = False) -> Float64s:
        return np.stack([getattr(fit.noise if of_noise else fit, pick) for fit in fits], axis=1)

    return Normal(
        block=block,
        starts=starts,
        km=km,
        centre=stack("centre"),
        ageing=stack("ageing"),
        sigma=stack("sigma", True),
        memory_days=stack("memory_days", True),
        rounding=stack("rounding", True),
        wander=stack("wander", True),
        offset_sd=stack("offset_sd"),
        season_move=stack("season_move"),
        depot_move=stack("depot_move"),
        tails=np.tile(SCORES, (len(fits[0].ageing), len(fits), 1)),
    )


def _fit(panel: Panel, day: Float64s, settled: Bools, until: Bools, km: float) -> _Fit:
    vehicles = len(panel.vehicles)
    vehicle = vehicle_of_row(panel)
    step = max(1, vehicles // SAMPLE)
    rows = np.flatnonzero(until & (vehicle % step == 0))
    values, epoch, ok = panel.values.T[:, rows], panel.epoch.T[:, rows], settled[:, rows]
    row_start = np.searchsorted(vehicle[rows], np.arange(vehicles + 1)).astype(np.int64)
    ageing = _ageing(values, epoch, row_start, panel.km[rows], ok)
    travelled = np.nan_to_num(panel.km[rows] - km)
    values = values - (ageing[:, None] * travelled).astype(np.float32)
    week = np.floor((day[rows] - day[rows].min()) / WEEK).astype(np.int32)
    weeks = int(week.max()) + 1
    depots = len(panel.depots) if len(rows) / (weeks * len(panel.depots)) >= 5 else 1
    cell = week + weeks * (panel.depot[rows] if depots > 1 else 0)
    noise = fit_noise(
        values,
        epoch=epoch,
        row_start=row_start,
        day=day[rows],
        cell=cell.astype(np.int32),
        cells=weeks * depots,
        settled=ok,
        resolution=panel.resolution,
    )
    noise = _shrunk(noise, panel)
    level = np.where(ok, values, np.nan)
    centre = _centres(level, panel.calibration[rows], len(panel.calibrations), panel.neutral, vehicle[rows])
    season_move, depot_move = _moves(noise, depots, weeks)
    return _Fit(
        noise=noise,
        centre=centre,
        ageing=ageing,
        season_move=season_move,
        depot_move=depot_move,
        offset_sd=_offset_sd(level - centre[:, panel.calibration[rows]], row_start, noise.sigma),
    )


def _shrunk(noise: Noise, panel: Panel) -> Noise:
    """Sigma drawn to a share of the authority where it rests on few readings; never below what rounding hides."""
    half = (panel.high_limit - panel.low_limit) / 2
    prior = np.where(np.isfinite(half) & (half > 0), AUTHORITY_SIGMA * half, np.nan)
    prior = np.where(np.isfinite(prior), prior, np.maximum(noise.sigma, 1e-6))
    share = noise.pairs / (noise.pairs + PRIOR_PAIRS)
    floor = np.maximum(np.nan_to_num(panel.resolution) / 4, 1e-3 * prior)
    sigma = np.exp(share * np.log(np.maximum(noise.sigma, floor)) + (1 - share) * np.log(prior))
    return Noise(
        sigma=sigma,
        memory_days=noise.memory_days,
        rounding=noise.rounding,
        wander=noise.wander,
        pairs=noise.pairs,
        together=noise.together,
        peers=noise.peers,
    )


def _centres(level: Float64s, calibration: Int32s, calibrations: int, neutral: Float64s, vehicle: Int32s) -> Float64s:
    """[C, K]: the family's median under each calibration; a calibration on fewer than three vehicles takes the whole's.

    Small families lean on the neutral value.
    """
    vehicles = len(np.unique(vehicle))
    whole = _median(level)
    known = np.where(np.isfinite(neutral), neutral, whole)
    whole = np.where(np.isfinite(whole), whole, known)
    whole = (vehicles * whole + known) / (vehicles + 1)
    centre = np.repeat(whole[:, None], calibrations, axis=1)
    for k in range(calibrations):
        mine = calibration == k
        if len(np.unique(vehicle[mine])) >= 3:
            middle = _median(level[:, mine])
            centre[:, k] = np.where(np.isfinite(middle), middle, whole)
    return centre


def _median(values: Float64s) -> Float64s:
    """[C] median of each row without NaN; NaN where there is nothing."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    rows = np.arange(len(values))
    high = np.minimum(high, max(values.shape[1] - 1, 0))
    return np.where(count > 0, (ordered[rows, low] + ordered[rows, high]) / 2, np.nan).astype(np.float64)


def _offset_sd(level: Float64s, row_start: Int64s, sigma: Float64s) -> Float64s:
    """[C] robust sd of vehicles' levels about the centre, drawn to three sigmas where vehicles are few."""
    kept = np.flatnonzero(np.diff(row_start) > 0)
    medians = np.stack([_median(level[:, row_start[v] : row_start[v + 1]]) for v in kept], axis=1)
    count = np.isfinite(medians).sum(axis=1)
    spread = 1.4826 * np.nan_to_num(_median(np.abs(medians)))
    mixed = (count * spread**2 + PRIOR_VEHICLES * (PRIOR_OFFSET * sigma) ** 2) / (count + PRIOR_VEHICLES)
    return np.maximum(np.sqrt(mixed), sigma)


def _moves(noise: Noise, depots: int, weeks: int) -> tuple[Float64s, Float64s]:
    """[C], [C]: variance of a week's movement of the family, and of a depot against it."""
    corrections = len(noise.sigma)
    together = noise.together.reshape(corrections, depots, weeks)
    peers = noise.peers.reshape(corrections, depots, weeks)
    step = np.diff(together, axis=2)
    weight = np.where(np.isfinite(step), peers[:, :, 1:], 0.0)
    total = weight.sum(axis=1)
    family = np.where(total > 0, (weight * np.nan_to_num(step)).sum(axis=1) / np.maximum(total, 1), np.nan)
    novelty = 2 * noise.sigma**2 * (1 - np.exp(-WEEK / noise.memory_days)) + 2 * noise.rounding
    sampling = 1.57 * novelty[:, None]
    season = _mean(family**2 - sampling / np.maximum(total, 1))
    if depots == 1:
        return np.maximum(season, 0.0), np.zeros(corrections)
    own = (step - family[:, None, :]) ** 2 - sampling[:, :, None] * (
        1 / np.maximum(peers[:, :, 1:], 1) - 1 / np.maximum(total, 1)[:, None, :]
    )
    return np.maximum(season, 0.0), np.maximum(_mean(own.reshape(corrections, -1)), 0.0)


def _mean(values: Float64s) -> Float64s:
    count = np.isfinite(values).sum(axis=1)
    return np.where(count > 0, np.nansum(values, axis=1) / np.maximum(count, 1), 0.0)


@numba.njit(cache=True, nogil=True)
def _slopes(values, epoch, row_start, km, settled):
    """[C, V] slope of each series over half its length, per km; NaN: not long enough. [C, V] its weight."""
    corrections = len(values)
    vehicles = len(row_start) - 1
    slope = np.full((corrections, vehicles), np.nan)
    for c in range(corrections):
        for v in range(vehicles):
            half = (row_start[v + 1] - row_start[v]) // 2
            if half < 6:
                continue
            up = down = 0.0
            for r in range(row_start[v] + half, row_start[v + 1]):
                p = r - half
                if settled[c, r] and settled[c, p] and epoch[c, r] == epoch[c, p]:
                    d, x = km[r] - km[p], values[c, r] - values[c, p]
                    if d > 0 and not np.isnan(x):
                        up += x * d
                        down += d * d
            if down > 0:
                slope[c, v] = up / down
    return slope


def _ageing(values: Float64s, epoch: Int32s, row_start: Int64s, km: Float64s, settled: Bools) -> Float64s:
    """[C] change per km that healthy vehicles share: the median of their slopes, drawn to 0 by its own uncertainty."""
    slope = _slopes(values, epoch, row_start, km, settled)
    count = np.isfinite(slope).sum(axis=1)
    middle = np.nan_to_num(_median(slope))
    spread = 1.4826 * np.nan_to_num(_median(np.abs(slope - middle[:, None])))
    error2 = 1.57 * spread**2 / np.maximum(count, 1)
    trust = np.clip(1 - 4 * error2 / np.maximum(middle**2, 1e-300), 0, 1)
    return np.where(count >= 5, middle * trust, 0.0)
