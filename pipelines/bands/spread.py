"""How differently the vehicles of a family scatter, and their series: a family's sample in, variances out; no frames.

Source: variance components by moments (Searle 1971, Linear Models, chapter 9), of what `scatter.says`; robust, since
a defect may scatter too.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.scatter import CUT_READINGS, LEAST_SCALE, says
from pipelines.handover import Float32s, Float64s, Int32s, Int64s

ROUNDS = 2  # the mean scale of a correction, and where differences are cut, rest on each other; numerical
FAR = 2.5  # robust sds from which on a vehicle's or a series' scale counts no further; judgement
# Derived.
WHITE = (
    np.pi / 2 - 1
) * 1.5  # variance of what a reading says: of |z|, and half more, since neighbours share a reading
TOGETHER = 4.0  # how much more one occasion's corrections say alike than apart, where nothing is known; judgement
PRIOR_OCCASIONS = 20.0  # occasions that this is worth; judgement
VEHICLES_DIFFER, SERIES_DIFFER = 0.25, 0.1  # sds of scales where nothing is known; judgement
PRIOR_VEHICLES = 5.0  # vehicles that they are worth to a fleet, and the fleet to a family; judgement


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How differently a family scatters: C corrections, V vehicles of its sample.

    mean: [C] of the series' scales, against the pooled noise. vehicle: variance of vehicles' scales about their mean.
    series: of series' about their vehicle's. occasion: variance of what one occasion (all corrections at one time) of
    the usual information says of a vehicle's scale. reading: of what one reading says of its series'. information: of
    an occasion, as a rule. vehicles: how many it rests on. shown: [C, V, 2] each series' own scale against `mean`, by
    what it said alone, and the information of that. vehicle_shown: [V, 2] the same of vehicles.
    """

    mean: Float64s
    vehicle: float
    series: float
    occasion: float
    reading: float
    information: float
    vehicles: float
    shown: Float64s
    vehicle_shown: Float64s

    def scales(self, vehicle: float, series: float) -> Float64s:
        """[C, V] scales of the sample's series by all that they said, drawn to what differs so much.

        Args:
            vehicle: Variance of vehicles' scales.
            series: Variance of series' scales about their vehicle's.
        """
        theirs, information = self.vehicle_shown.T
        error = self.occasion * self.information / np.maximum(information, 1e-9) * theirs**2
        theirs = 1 + vehicle / np.maximum(vehicle + error, 1e-300) * (theirs - 1)
        weight = series * self.shown[..., 1]
        weight /= np.maximum(weight + self.reading, 1e-300)
        scales: Float64s = self.mean[:, None] * ((1 - weight) * theirs + weight * self.shown[..., 0])
        return scales


def learn_spread(  # noqa: PLR0917
    healthy: Float32s, epoch: Int32s, row_start: Int64s, day: Float64s, noise: dict[str, Float64s], step: Float64s
) -> Spread:  # fmt: skip
    """What a sample of a family shows.

    Args:
        healthy: [C, R] readings without levels and season; NaN: left out.
        epoch: [C, R] learning epoch of the series.
        row_start: [V + 1].
        day: [R].
        noise: The pooled noise: `sigma, memory_days, rounding, wander`, each [C].
        step: [C] of the corrections, 0: not rounded.
    """
    model = np.stack([noise[name] for name in ("sigma", "memory_days", "rounding", "wander")], axis=1)
    mean = next_mean = np.ones(len(healthy))
    for _ in range(ROUNDS):
        mean = next_mean
        said, occasions, readings = _said(healthy, epoch, row_start, day, model, mean, step)
        vehicle = said.sum(axis=0)
        read = vehicle[:, 1] > 0
        theirs = _ratio(vehicle)
        level = float(theirs[read].mean()) if read.any() else 1.0
        against = _ratio(said) / theirs
        weighed = said[:, read, 1]  # sums over those alone who have readings: who joins later changes no rounding
        scale = ((weighed * against[:, read]).sum(axis=1) + CUT_READINGS) / (weighed.sum(axis=1) + CUT_READINGS)
        next_mean = mean * level * scale
    usual = float(np.median(occasions[occasions[:, 1] > 0, 1])) if read.any() else 1.0
    occasion = _error(_occasions_left(occasions, row_start, theirs), TOGETHER * WHITE / max(usual, 1.0), usual)
    reading = _error(readings.sum(axis=0), WHITE, 1.0)
    known = said[..., 1] > 0
    between = _between(theirs[read] / level - 1, occasion * usual / vehicle[read, 1])
    apart = _between(against[known] / scale.repeat(known.sum(axis=1)) - 1, reading / said[known, 1], said[known, 1])
    told_at = float(np.count_nonzero(occasions[:, 1]))
    drawn = next_mean ** (told_at / (told_at + PRIOR_OCCASIONS))  # as the pooled noise is, or few would undo its prior
    left = next_mean / drawn
    return Spread(
        mean=drawn, vehicle=between, series=apart, occasion=occasion, reading=reading, information=usual,
        vehicles=float(read.sum()),
        shown=np.stack([_ratio(said) / (level * scale[:, None]) * left[:, None], said[..., 1]], axis=-1),
        vehicle_shown=np.stack([theirs / level * np.exp(np.log(left).mean()), vehicle[:, 1]], axis=-1),
    )  # fmt: skip


def _ratio(said: Float64s) -> Float64s:
    """[...] scale, of what was said in sum and its information [..., 2]; 1 where nothing was said."""
    ratio: Float64s = np.maximum(1 + said[..., 0] / np.maximum(said[..., 1], 1e-9), LEAST_SCALE)
    return ratio


def _between(apart: Float64s, error: Float64s, weight: Float64s | None = None) -> float:
    """Variance of what stands `apart`, beyond its error's; 0: no more than chance makes."""
    if len(apart) < 2:
        return 0.0
    weight = np.ones(len(apart)) if weight is None else weight
    wide = FAR * max(1.4826 * float(np.median(np.abs(apart))), 1e-9)
    inside = np.minimum(apart**2, wide**2)
    return float(max(np.average(inside - np.minimum(error, wide**2), weights=weight), 0.0))


def _occasions_left(occasions: Float64s, row_start: Int64s, theirs: Float64s) -> Float64s:
    """[3] as `_said` gives it of readings, of what occasions say of their vehicle's scale."""
    vehicle = np.repeat(np.arange(len(row_start) - 1), np.diff(row_start))
    known = np.flatnonzero(occasions[:, 1] > 0)
    said, vehicle = occasions[known], vehicle[known]
    left = (said[:, 0] / said[:, 1] + 1 - theirs[vehicle]) / theirs[vehicle] * np.sqrt(said[:, 1])
    shared = (left[1:] * left[:-1])[vehicle[1:] == vehicle[:-1]].sum()
    return np.array([(left**2).sum(), shared, len(known) - len(np.unique(vehicle))])


def _error(left: Float64s, prior: float, usual: float) -> float:
    """Variance of what one of the usual information says, with what neighbours share, as the mean of many has it.

    Args:
        left: [3] sum of squares, in units of the sd that the information gives; of neighbours' products; how many.
        prior: What it is where little is known.
        usual: Information.
    """
    ratio = max(left[0] + 2 * left[1], left[0] / 2) / usual
    return float((ratio + PRIOR_OCCASIONS * prior) / (max(left[2], 0.0) + PRIOR_OCCASIONS))


def pooled_spreads(spreads: Sequence[Spread], trusted: Int64s) -> list[tuple[float, float]]:
    """Variance of vehicles' and of series' scales of each family, drawn to all families' by its vehicles.

    Args:
        spreads: Each family's.
        trusted: [F] how far what it shows counts for others; those count that can be trusted most.
    """
    if not spreads:
        return []
    prior = np.array([VEHICLES_DIFFER, SERIES_DIFFER]) ** 2
    own = np.array([(spread.vehicle, spread.series) for spread in spreads])
    count = np.array([spread.vehicles for spread in spreads])
    elder = count * (trusted == trusted.max())
    every = (elder @ own + PRIOR_VEHICLES * prior) / (elder.sum() + PRIOR_VEHICLES)
    drawn = (count[:, None] * own + PRIOR_VEHICLES * every) / (count[:, None] + PRIOR_VEHICLES)
    return [(float(vehicle), float(series)) for vehicle, series in drawn]


@numba.njit(cache=True, nogil=True)
def _said(healthy, epoch, row_start, day, model, mean, step):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """What readings say of their series' scales.

    Returns:
        [C, V, 2] of each series, in sum, and with what information; [R, 2] the same of each occasion; [C, 3] what
        readings leave beside what their series says: sum of squares in units of the sd that their information gives,
        sum of neighbours' products, and how many.
    """
    corrections, rows = healthy.shape
    shown = np.zeros((corrections, len(row_start) - 1, 2))
    occasions, readings = np.zeros((rows, 2)), np.zeros((corrections, 3))
    each, weight = np.empty(rows), np.empty(rows)
    for c in range(corrections):
        noise = (model[c, 0], model[c, 1], model[c, 2], model[c, 3])
        for v in range(len(row_start) - 1):
            before = -1
            count = 0
            total = information = 0.0
            for r in range(row_start[v], row_start[v + 1]):
                if np.isnan(healthy[c, r]):
                    continue
                if before >= 0 and epoch[c, before] == epoch[c, r] and day[r] > day[before]:
                    so_far = 1 + total / (CUT_READINGS + information)
                    said, weighs, _ = says(
                        np.float64(healthy[c, r]) - healthy[c, before], day[r] - day[before], noise, mean[c], step[c],
                        so_far,
                    )  # fmt: skip
                    total += said
                    information += weighs
                    occasions[r, 0] += said
                    occasions[r, 1] += weighs
                    each[count], weight[count] = said, weighs
                    count += 1
                before = r
            shown[c, v, 0], shown[c, v, 1] = total, information
            if count > 1 and information > 0:
                scale = max(1 + total / information, LEAST_SCALE)
                last = 0.0
                for i in range(count):
                    left = (each[i] / weight[i] + 1 - scale) / scale * math.sqrt(weight[i])
                    readings[c, 0] += left * left
                    readings[c, 1] += left * last
                    last = left
                readings[c, 2] += count - 1
    return shown, occasions, readings
