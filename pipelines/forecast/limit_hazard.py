"""A hazard of each limit by itself, all of them competing; how near and how fast in, log odds of a fault out.

A limit is not met alike everywhere: some codes set within a twentieth of it, others long before, and of some
corrections hardly a fault ever comes. So each kind of correction and side has its own place and sharpness, drawn to the
catalogue's limit; corrections that differ in bank or cylinder alone are of one kind. What is uncertain of the way ahead
flattens the odds, as a probit does.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from pipelines.forecast.learners import ENOUGH, HIGHEST, LOWEST, UNANNOUNCED
from pipelines.forecast.time_grid import MIDDLES, hazard_of_odds
from pipelines.handover import Bools, Float32s, Float64s, Int64s

LEAST_USED = 0.04  # of the way to a limit, below which it announces nothing; for speed
LEAST_SIGMAS = 2.0  # that a correction is off, to say where it goes; judgement
MOST_USED = 1.6  # of the way to a limit: beyond it nothing gets surer; numerical
LEVEL_DOUBT = 0.02  # sd of the log of what is used now: about a step of a correction; judgement
FLATTENS = 0.35  # pi / 8, by which doubt flattens odds: MacKay (1992); derived
SHARPNESS, SHARPNESS_SD = np.log(20.0), 0.7  # log odds a unit of the log of what is used: a twentieth; judgement
PLACE_SD = 0.15  # scale of the log of the place of a limit, of long tails: most lie where they are said to; judgement
PLACE_ROUND = 0.05  # below which that prior is round; numerical
PACE, PACE_SD = 1.0, 0.3  # of the way ahead that is gone; judgement
DOUBT, DOUBT_SD = 0.3, 0.2  # sd of the log of that way, as a share of it; judgement
STEADY_SD = 1.4  # of the log of the rate of faults that no limit announces; judgement
LEAD = 3  # figures of the line before sharpness and place; definition


@dataclass(frozen=True, kw_only=True)
class Nearing:
    """How near the limits are of n origins.

    Attributes:
        used: Share of the way to the limit of the foremost correction of each kind and side, [n, J]; 0: none is off.
        rate: Of it, a day, [n, J].
        stale: Age of the reading, d, [n].
    """

    used: Float32s
    rate: Float32s
    stale: Float64s

    def take(self, rows: np.ndarray) -> "Nearing":
        """Those of some origins."""
        return Nearing(used=self.used[rows], rate=self.rate[rows], stale=self.stale[rows])


@dataclass(frozen=True, kw_only=True)
class _Ways:
    """The same by what is off, [m]: origin, kind and side, log of what is used, and the growth of it by each step."""

    row: Int64s
    side: Int64s
    used: Float64s
    growth: Float64s  # [m, L]
    rows: int

    @classmethod
    def of(cls, nearing: Nearing) -> "_Ways":
        row, side = np.nonzero(nearing.used > LEAST_USED)
        used, rate = (part[row, side].astype(np.float64) for part in (nearing.used, nearing.rate))
        ahead = used[:, None] + np.maximum(rate, 0.0)[:, None] * (MIDDLES + nearing.stale[row, None])
        growth = np.log(np.clip(ahead / used[:, None], 1.0, np.maximum(MOST_USED / used, 1.0)[:, None]))
        return cls(row=row, side=side, used=np.log(used), growth=growth, rows=len(nearing.used))

    def summed(self, figures: Float64s) -> Float64s:
        """[n, L] sums over what is off of each origin."""
        summed = np.zeros((self.rows, figures.shape[1]))
        if len(self.row):
            first = np.flatnonzero(np.append(True, self.row[1:] != self.row[:-1]))
            summed[self.row[first]] = np.add.reduceat(figures, first, axis=0)
        return summed


@dataclass(frozen=True, kw_only=True)
class LimitHazard:
    """A steady hazard, and the competing ones of all limits.

    Attributes:
        steady: Log of the faults a day that no limit announces.
        pace: Share of the expected way ahead that is gone.
        doubt: Sd of the log of that way, as a share of it.
        sharpness: Log of the log odds a unit of the log of what is used, by kind and side, [J].
        place: Log of the share of the way at which the fault is as likely as not, by kind and side, [J].
    """

    steady: float
    pace: float
    doubt: float
    sharpness: Float64s
    place: Float64s

    def announced(self, nearing: Nearing) -> Float64s:
        """Log odds of a fault that any limit announces in each step, [n, L]."""
        ways = _Ways.of(nearing)
        slope, _, away = self.slopes(ways)
        odds = ways.summed(np.exp(np.clip(slope * away, LOWEST, HIGHEST)))
        return np.clip(np.log(np.maximum(odds, np.exp(LOWEST))), LOWEST, HIGHEST)

    def slopes(self, ways: _Ways) -> tuple[Float64s, Float64s, Float64s]:
        """(log odds a unit, how much doubt flattens them, distance beyond the limit in logs), [m, L] each."""
        sharp = np.exp(self.sharpness)[ways.side][:, None]
        flat = np.sqrt(1 + FLATTENS * (sharp * (LEVEL_DOUBT + self.doubt * ways.growth)) ** 2)
        away = (ways.used - self.place[ways.side])[:, None] + self.pace * ways.growth
        return sharp / flat, flat, away


def learn_limits(nearing: Nearing, days: Float64s, faults: Float64s, *, distinct: float) -> LimitHazard:
    """The hazard of greatest Poisson likelihood, with priors that limits lie where they are said to.

    Args:
        nearing: Of n origins.
        days: Weighted days at risk in each step, [n, L].
        faults: Weighted faults in each step, [n, L].
        distinct: Distinct faults behind the rows; the prior is weighed against them.

    Source: Prentice and others (1978), Biometrics 34(4), 541-554, for hazards that compete.
    """
    off: Bools = np.any(nearing.used > LEAST_USED, axis=1)
    sides = nearing.used.shape[1]
    ways = replace(_Ways.of(nearing.take(off)), rows=int(off.sum()) + 1)  # all others are alike: one row
    event_weight = distinct / max(float(faults.sum()), 1e-12)
    exposure, hits = (event_weight * np.vstack([part[off], part[~off].sum(axis=0)]) for part in (days, faults))
    steady = np.log(UNANNOUNCED * max(faults.sum(), 0.5 / event_weight) / days.sum())
    usual = np.concatenate([[steady, PACE, DOUBT], np.full(sides, SHARPNESS), np.zeros(sides)])
    spread = np.concatenate([[STEADY_SD, PACE_SD, DOUBT_SD], np.full(sides, SHARPNESS_SD), np.full(sides, np.inf)])

    def loss(line: Float64s) -> tuple[float, Float64s]:
        told = _hazard(line, sides)
        slope, flat, away = told.slopes(ways)
        at = np.clip(slope * away, LOWEST, HIGHEST)
        odds = np.exp(at)
        together = np.maximum(ways.summed(odds), np.exp(LOWEST))
        announced, bend = hazard_of_odds(np.log(together))
        hazard = announced + np.exp(told.steady)
        surplus = exposure - hits / hazard
        share = (surplus * bend / together)[ways.row]
        error = np.where(at == slope * away, share * odds, 0.0)
        sharp = (slope * flat) ** 2 * FLATTENS * (LEVEL_DOUBT + told.doubt * ways.growth) / flat**2
        gradient = np.concatenate(
            [
                [surplus.sum() * np.exp(told.steady)],
                [(error * slope * ways.growth).sum(), -(error * slope * away * sharp * ways.growth).sum()],
                np.bincount(ways.side, weights=(error * slope * away / flat**2).sum(axis=1), minlength=sides),
                -np.bincount(ways.side, weights=(error * slope).sum(axis=1), minlength=sides),
            ]
        )
        away_from = (line - usual) / spread**2
        tail = np.sqrt(told.place**2 + PLACE_ROUND**2)
        away_from[LEAD + sides :] += told.place / tail / PLACE_SD
        value = (exposure * hazard - hits * np.log(hazard)).sum() + tail.sum() / PLACE_SD
        return float(value + 0.5 * (((line - usual) / spread) ** 2).sum()), gradient + away_from

    bounds = [(LOWEST, HIGHEST), (0.0, None), (0.0, None)] + [(0.0, 4.0)] * sides + [(-4.0, 2.0)] * sides
    fitted = minimize(loss, usual, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": ENOUGH})
    return _hazard(fitted.x, sides)


def _hazard(line: Float64s, sides: int) -> LimitHazard:
    return LimitHazard(
        steady=float(line[0]), pace=float(line[1]), doubt=float(line[2]),
        sharpness=line[LEAD : LEAD + sides], place=line[LEAD + sides :],
    )  # fmt: skip
