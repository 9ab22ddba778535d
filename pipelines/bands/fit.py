"""One family's normal from its readings up to a day: panel in, noise, centre, spread, ageing, movements out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.ageing import shared_slope
from pipelines.bands.built_in import ENOUGH_PEERS, PRIOR_VEHICLES, as_healthy, near_neutral
from pipelines.bands.group_levels import groups_of
from pipelines.bands.noise import Noise, fit_noise, take_out_levels
from pipelines.bands.normal import LEAST_SETTLED, WEEK, days, vehicle_of_row
from pipelines.digests import word
from pipelines.handover import Bools, Float32s, Float64s, Int32s, Int64s, Panel
from pipelines.standstill.rule import held_beyond
from pipelines.standstill.unlearned import stands_from, unlearned_rows

SAMPLE = 200  # vehicles at most that a family's normal is learned from; judgement
SAMPLE_SEED = 1  # any number: definition
PRIOR_OFFSET = 3.0  # prior sd of vehicles' levels, in sigmas of the noise; judgement
MOVE_LAGS = (1, 2, 4, 8)  # weeks; judgement
LONGEST_GAP = 60.0  # days between readings that count towards their pace; judgement
STRAYS = 3.0  # times the usual scatter from which a series teaches nothing: vehicles' own is taken out; judgement
# Share of a correction's readings that may come of such: judgement, with twelve simulated fleets in view; on three
# that nobody had seen the rule gained nothing, so it waits to be shown or to go.
MOST_STRAYING = 0.05
LEAST_STRAYING = 8  # readings from which scatter of so many times the usual is no chance; judgement
LEAST_OF_GROUP = 3  # vehicles that show where a group's level lies; the least that a median outvotes; derived
MEDIAN_COST = 1.57  # variance of a median against a mean's; pi / 2; derived
FAR = 2.5  # robust sds from which on a week's movement counts no further: it leaps, and is believed as such; judgement
TRIMMED = 1.1  # variance of a trimmed mean against a mean's; of normal ones, a fifth cut on each side; derived


@dataclass(frozen=True, kw_only=True)
class Fit:
    """What one family's readings up to a day say; C corrections, K calibrations, R sampled rows of V vehicles.

    healthy [C, R], epoch [C, R], row_start [V + 1], day [R]: the sample, readings without level and season.
    stands_from [C]: repeats in a row that are a standstill.
    centre [C, K + 1], the last of a calibration that nobody has. ageing [C] per km. offset_sd [C].
    depot_spread, duty_spread [C]: variance of depots' levels, and of duties' inside a depot.
    season_move, depot_move [C, lags]: variance of a week's movement of the family, and of a depot against it.
    peers: vehicles read in a week. few: whether vehicles are so few that one that drifts is not told from a season.
    corrections: how many of them can alarm at a vehicle's reading. readings_a_year: of a vehicle.
    half_authority [C]: half of what the catalogue allows; where it names nothing, what readings span.
    """

    noise: Noise
    healthy: Float32s
    epoch: Int32s
    row_start: Int64s
    day: Float64s
    stands_from: Float64s
    centre: Float64s
    ageing: Float64s
    offset_sd: Float64s
    depot_spread: Float64s
    duty_spread: Float64s
    season_move: Float64s
    depot_move: Float64s
    peers: float
    few: bool
    corrections: float
    readings_a_year: float
    half_authority: Float64s


def fit_family(panel: Panel, *, settled: Bools, until: float) -> Fit:
    """Learn from the readings before `until`.

    Args:
        panel: The family's readings; at least one is before `until`.
        settled: [C, R] False while relearning.
        until: Day since 1970.
    """
    day = days(panel)
    vehicle = vehicle_of_row(panel)
    known = np.unique(vehicle[day < until])
    rows = np.flatnonzero((day < until) & np.isin(vehicle, sampled(panel.vehicles, known)))
    values, epoch = np.take(panel.values.T, rows, axis=1), np.take(panel.epoch.T, rows, axis=1)
    ok = np.take(settled, rows, axis=1)
    row_start = np.searchsorted(vehicle[rows], np.arange(len(panel.vehicles) + 1)).astype(np.int64)
    stands = stands_from(values, epoch, row_start, panel.resolution)
    low, high = held_beyond(panel)
    unlearned = np.zeros(values.shape, dtype=np.bool_)
    for c in np.flatnonzero(np.isfinite(stands)):
        unlearned[c] = unlearned_rows(values[c], row_start, stands[c], low[c], high[c])
    ok &= ~unlearned
    week = np.floor((day[rows] - day[rows].min()) / WEEK).astype(np.int32)
    weeks = int(week.max()) + 1
    places, depot = np.unique(panel.depot[rows], return_inverse=True)
    depots = len(places) if len(rows) / (weeks * len(places)) >= 5 else 1
    cell = (week + weeks * (depot if depots > 1 else 0)).astype(np.int32)
    cells = cell, np.argsort(cell, kind="stable"), weeks * depots
    healthy, together, peers = take_out_levels(values, epoch, row_start, *cells, ok)
    strays = straying(healthy, row_start)
    if strays.any():
        again = np.flatnonzero(strays.any(axis=1))
        ok &= ~np.repeat(strays, np.diff(row_start), axis=1)
        healthy[again], together[again], peers[again] = take_out_levels(
            values[again], epoch[again], row_start, *cells, ok[again]
        )
    km = panel.km[rows]
    driven, whole = km[None].astype(np.float32), np.zeros((1, len(rows)), dtype=np.int32)
    way, _, _ = take_out_levels(driven, whole, row_start, *cells, np.isfinite(driven))
    ageing = shared_slope(healthy, epoch, row_start, way[0], km)
    aged = np.flatnonzero(ageing)
    values = values - (ageing[:, None] * np.nan_to_num(km)).astype(np.float32)
    healthy[aged], together[aged], peers[aged] = take_out_levels(values[aged], epoch[aged], row_start, *cells, ok[aged])
    noise = fit_noise(healthy, epoch=epoch, row_start=row_start, day=day[rows], resolution=panel.resolution)
    level = np.where(ok, values, np.nan)
    centre = _centres(level, panel.calibration[rows], len(panel.calibrations), panel.neutral, vehicle[rows])
    centre = near_neutral(panel, centre, len(known))
    group, depot_of, _ = groups_of(panel)
    offset_sd, depot_spread, duty_spread = _spreads(
        level - centre[:, panel.calibration[rows]], row_start, noise.sigma, group=group[rows], depot_of=depot_of
    )
    shape = (len(panel.codes), depots, weeks)
    season_move, depot_move = _moves(noise, together.reshape(shape), peers.reshape(shape))
    return Fit(
        noise=noise,
        healthy=healthy,
        epoch=epoch,
        row_start=row_start,
        day=day[rows],
        stands_from=stands,
        centre=centre,
        ageing=ageing,
        season_move=season_move,
        depot_move=depot_move,
        peers=len(rows) / weeks,
        few=len(known) < ENOUGH_PEERS,
        corrections=_able(values, epoch, row_start, unlearned) / max(len(rows), 1),
        readings_a_year=_pace(day[rows], vehicle[rows]),
        half_authority=_half_authority(panel, values),
        offset_sd=as_healthy(panel, offset_sd, len(known)),
        depot_spread=depot_spread,
        duty_spread=duty_spread,
    )


def sampled(vehicles: Sequence[str], among: Int32s | Int64s) -> Int32s | Int64s:
    """At most `SAMPLE` of some vehicles, as a seed and their numbers say: who else there is changes hardly any of them.

    Args:
        vehicles: All.
        among: Indices of those to choose from, ascending.
    """
    if len(among) <= SAMPLE:
        return among
    drawn = np.array([word(f"{SAMPLE_SEED} {vehicles[v]}".encode()) for v in among], dtype=np.uint64)
    return among[np.sort(np.argsort(drawn, kind="stable")[:SAMPLE])]


def straying(healthy: Float32s, row_start: Int64s) -> Bools:
    """[C, V] series that must not teach: they scatter far more than is usual, and bring a good part of all readings.

    So it is where most vehicles seldom learn a correction: one that strays learns at every drive.

    Args:
        healthy: [C, R] readings without level and season; NaN: left out.
        row_start: [V + 1].
    """
    seen = np.isfinite(healthy)
    read = np.flatnonzero(np.diff(row_start))
    square, count = np.zeros((2, len(healthy), len(row_start) - 1))
    square[:, read] = np.add.reduceat(np.where(seen, healthy, 0) ** 2, row_start[read], axis=1, dtype=np.float64)
    count[:, read] = np.add.reduceat(seen, row_start[read], axis=1, dtype=np.int64)
    shows = count >= LEAST_SETTLED
    scatter = np.where(shows, np.sqrt(square / np.maximum(count - 1, 1.0)), np.nan)
    scatter /= np.maximum(median(scatter), 1e-12)[:, None]
    scatter /= np.maximum(median(scatter.T), 1e-12)
    strays = (scatter > STRAYS) & (count >= LEAST_STRAYING) & (shows.sum(axis=1) >= ENOUGH_PEERS)[:, None]
    share = (count * strays).sum(axis=1) / np.maximum(count.sum(axis=1), 1.0)
    bad: Bools = strays & (share > MOST_STRAYING)[:, None]
    return bad


@numba.njit(cache=True, nogil=True)
def _able(values, epoch, row_start, unlearned):  # type: ignore[no-untyped-def]
    """How many of [C, R] readings can alarm: they learned, and do not begin an epoch other than the first."""
    able = 0.0
    for c in range(len(values)):
        for v in range(len(row_start) - 1):
            seen, now = 0, -1
            for r in range(row_start[v], row_start[v + 1]):
                if np.isnan(values[c, r]) or unlearned[c, r]:
                    continue
                seen = seen + 1 if epoch[c, r] == now else 1
                now = epoch[c, r]
                able += seen >= LEAST_SETTLED or now == epoch[c, row_start[v]]
    return able


def _half_authority(panel: Panel, values: Float32s) -> Float64s:
    half = (panel.high_limit - panel.low_limit) / 2
    with np.errstate(invalid="ignore"):
        usable = np.isfinite(half) & (half > 0)
    span = np.array([np.nanstd(row) if np.isfinite(row).any() else 0.0 for row in values[~usable]])
    half[~usable] = np.maximum(10 * span, 1e-9)
    return half


def _pace(day: Float64s, vehicle: Int32s) -> float:
    """Readings of a vehicle in a year, long gaps left out; weekly where no vehicle has two."""
    gaps = np.minimum(np.diff(day)[np.diff(vehicle) == 0], LONGEST_GAP)
    return 365.25 / max(float(gaps.mean()), 1 / 24) if len(gaps) else 365.25 / WEEK


def _centres(level: Float64s, calibration: Int32s, calibrations: int, neutral: Float64s, vehicle: Int32s) -> Float64s:
    """[C, K + 1]: the family's median under each calibration; one on fewer than three vehicles takes the whole's.

    Small families lean on the neutral value.
    """
    vehicles = len(np.unique(vehicle))
    whole = median(level)
    known = np.where(np.isfinite(neutral), neutral, whole)
    whole = np.where(np.isfinite(whole), whole, known)
    whole = (vehicles * whole + known) / (vehicles + 1)
    centre = np.repeat(whole[:, None], calibrations + 1, axis=1)
    for k in range(calibrations):
        is_on_it = calibration == k
        if len(np.unique(vehicle[is_on_it])) >= 3:
            middle = median(level[:, is_on_it])
            centre[:, k] = np.where(np.isfinite(middle), middle, whole)
    return centre


def median(values: Float64s) -> Float64s:
    """[C] median of each row without NaN; NaN where there is nothing."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    rows = np.arange(len(values))
    high = np.minimum(high, max(values.shape[1] - 1, 0))
    return np.where(count > 0, (ordered[rows, low] + ordered[rows, high]) / 2, np.nan).astype(np.float64)


def _spreads(
    level: Float64s, row_start: Int64s, sigma: Float64s, *, group: Int32s, depot_of: Int32s
) -> tuple[Float64s, Float64s, Float64s]:  # fmt: skip
    """[C] robust sd of vehicles' levels about their groups', [C] variance of depots' levels, [C] of duties' inside one.

    Args:
        level: [C, R] readings without centre.
        row_start: [V + 1].
        sigma: [C] of the noise.
        group: [R] depot and duty.
        depot_of: [G].

    Source: variance components by moments, from the medians of groups.
    """
    with_readings = np.flatnonzero(np.diff(row_start) > 0)
    medians = np.stack([median(level[:, row_start[v] : row_start[v + 1]]) for v in with_readings], axis=1)
    present, theirs = np.unique(group[row_start[with_readings + 1] - 1], return_inverse=True)
    depots = np.unique(depot_of[present], return_inverse=True)[1]  # groups to come change no sum
    of_group, vehicles = _middles(medians, theirs, len(depots))
    of_depot, members = _middles(medians, depots[theirs], int(depots.max(initial=0)) + 1)
    middle = np.where(vehicles >= LEAST_OF_GROUP, of_group, of_depot[:, depots])
    beside = np.where(vehicles >= LEAST_OF_GROUP, vehicles, members[:, depots])[:, theirs]
    sd = _drawn_sd((medians - middle[:, theirs]) * _of_few(beside), sigma)
    depot_spread = _between(of_depot, MEDIAN_COST * sd[:, None] ** 2 / np.maximum(members, 1), members)
    error = MEDIAN_COST * sd[:, None] ** 2 / np.maximum(vehicles, 1)
    return sd, depot_spread, _between(of_group - of_depot[:, depots], error, vehicles)


def _of_few(count: Float64s) -> Float64s:
    """Factor on deviations from the median of so many, by which their median size is as large as of deviations at all.

    Source: Croux and Rousseeuw (1992), Time-efficient algorithms for two highly robust estimators of scale.
    """
    exact = np.array([1.0, 1.0, 1.0, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107])
    few = count < len(exact)
    factor: Float64s = np.where(few, exact[np.where(few, count, 0).astype(int)], count / np.maximum(count - 0.8, 1.0))
    return factor


def _middles(medians: Float64s, group: Int64s, groups: int) -> tuple[Float64s, Float64s]:
    """[C, G] levels of groups (0: fewer than three vehicles show it), [C, G] vehicles."""
    middle, count = np.zeros((len(medians), groups)), np.zeros((len(medians), groups))
    for g in np.unique(group):
        of_group = medians[:, group == g]
        count[:, g] = np.isfinite(of_group).sum(axis=1)
        middle[:, g] = np.where(count[:, g] >= LEAST_OF_GROUP, np.nan_to_num(median(of_group)), 0.0)
    return middle, count


def _between(middle: Float64s, error: Float64s, count: Float64s) -> Float64s:
    """[C] variance of groups' levels beyond that of their errors; 0 where there are not two."""
    is_clear = count >= LEAST_OF_GROUP
    groups = is_clear.sum(axis=1)
    mean = np.where(is_clear, middle, 0.0).sum(axis=1) / np.maximum(groups, 1)
    apart = np.where(is_clear, (middle - mean[:, None]) ** 2 - error, 0.0).sum(axis=1)
    return np.where(groups > 1, np.maximum(apart / np.maximum(groups - 1, 1), 0.0), 0.0)


def _drawn_sd(about: Float64s, sigma: Float64s) -> Float64s:
    """[C] robust sd of vehicles' levels [C, V], drawn to three sigmas where vehicles are few."""
    count = np.isfinite(about).sum(axis=1)
    spread = 1.4826 * np.nan_to_num(median(np.abs(about)))
    mixed = (count * spread**2 + PRIOR_VEHICLES * (PRIOR_OFFSET * sigma) ** 2) / (count + PRIOR_VEHICLES)
    spread_or_more: Float64s = np.maximum(np.sqrt(mixed), sigma)
    return spread_or_more


def _moves(noise: Noise, together: Float64s, peers: Float64s) -> tuple[Float64s, Float64s]:
    """[C, lags], [C, lags]: variance of a week's movement of the family, and of a depot against it, by each lag.

    From the means of peers [C, depots, weeks] some weeks apart, less what their sampling makes (so either may come out
    below 0); longer lags show a season that moves on in one direction for months.
    """
    corrections, depots, weeks = together.shape
    season, depot_moves = np.zeros((corrections, len(MOVE_LAGS))), np.zeros((corrections, len(MOVE_LAGS)))
    for index, lag in enumerate(MOVE_LAGS):
        if weeks <= lag:
            continue
        step = together[:, :, lag:] - together[:, :, :-lag]
        weight = np.where(np.isfinite(step), peers[:, :, lag:], 0.0)
        total = weight.sum(axis=1)
        family = np.where(total > 0, (weight * np.nan_to_num(step)).sum(axis=1) / np.maximum(total, 1), np.nan)
        novelty = 2 * noise.sigma**2 * (1 - np.exp(-lag * WEEK / noise.memory_days)) + 2 * noise.rounding
        sampling = TRIMMED * novelty[:, None]
        season[:, index] = _mean(_usual(family) ** 2 - sampling / np.maximum(total, 1)) / lag
        if depots > 1:
            apart = _usual((step - family[:, None, :]).reshape(corrections, -1)) ** 2
            noise2 = sampling[:, :, None] * (
                1 / np.maximum(peers[:, :, lag:], 1) - 1 / np.maximum(total, 1)[:, None, :]
            )
            depot_moves[:, index] = _mean(apart - noise2.reshape(corrections, -1)) / lag
    return season, depot_moves


def _usual(step: Float64s) -> Float64s:
    """Steps [C, n] drawn in to `FAR` robust sds of their row's; what few vehicles that stray make is no movement."""
    far = FAR * 1.4826 * np.nan_to_num(median(np.abs(step)))[:, None]
    drawn: Float64s = np.clip(step, -far, far)
    return drawn


def _mean(values: Float64s) -> Float64s:
    count = np.isfinite(values).sum(axis=1)
    return np.where(count > 0, np.nansum(values, axis=1) / np.maximum(count, 1), 0.0)
