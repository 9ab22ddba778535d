"""Maps forecasts to the frequencies seen on later data than the forecasts were fitted on; never turns two around."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit
from sklearn.isotonic import IsotonicRegression

from pipelines.forecast.scores import log_odds
from pipelines.handover import Float64s

FAULTS_FOR_ISOTONIC = 500
PRIOR_WEIGHT = 10.0  # faults' worth of belief that the forecasts are right as they are


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """A piecewise linear map of log odds, level beyond its ends only if isotonic.

    Attributes:
        method: `none`, `beta` or `isotonic`.
        knots: Log odds of forecasts, rising.
        values: Log odds they become.
    """

    method: str
    knots: Float64s
    values: Float64s

    def apply(self, forecast: Float64s) -> Float64s:
        """Calibrated probabilities of any shape."""
        at = np.interp(log_odds(forecast), self.knots, self.values)
        calibrated: Float64s = expit(at)
        return calibrated


def calibrate(forecast: Float64s, fault: Float64s, weight: Float64s, *, faults: float) -> Calibration:
    """Beta calibration below 500 distinct faults, isotonic from there on.

    Args:
        forecast: Probabilities, [n].
        fault: 0 or 1, [n].
        weight: Of each row, [n].
        faults: How many distinct faults stand behind the rows; overlapping horizons count one fault many times.

    Source: Kull, Silva Filho and Flach (2017), Beta calibration.
    """
    grid = np.linspace(-14.0, 14.0, 561)
    hits = float((weight * fault).sum())
    if faults < 1 or hits <= 0:
        return Calibration(method="none", knots=grid, values=grid)
    scaled = weight * (faults / hits)
    if faults < FAULTS_FOR_ISOTONIC:
        return Calibration(method="beta", knots=grid, values=_beta(forecast, fault, scaled, grid))
    return Calibration(method="isotonic", knots=grid, values=_isotonic(forecast, fault, scaled, grid))


def _beta(forecast: Float64s, fault: Float64s, weight: Float64s, grid: Float64s) -> Float64s:
    """A ln p - b ln(1 - p) + c with a, b >= 0, drawn to the identity a = b = 1, c = 0."""

    def terms(odds: Float64s) -> Float64s:
        return np.column_stack([-np.logaddexp(0, -odds), np.logaddexp(0, odds), np.ones(len(odds))])

    design, identity = terms(log_odds(forecast)), np.array([1.0, 1.0, 0.0])
    belief = PRIOR_WEIGHT * np.array([1.0, 1.0, 0.25])

    def loss(line: Float64s) -> tuple[float, Float64s]:
        at = design @ line
        away = line - identity
        value = (weight * (np.logaddexp(0, at) - fault * at)).sum() + 0.5 * (belief * away**2).sum()
        return float(value), design.T @ (weight * (expit(at) - fault)) + belief * away

    fitted = minimize(loss, identity, jac=True, method="L-BFGS-B", bounds=[(0, None), (0, None), (None, None)])
    values: Float64s = terms(grid) @ fitted.x
    return values


def _isotonic(forecast: Float64s, fault: Float64s, weight: Float64s, grid: Float64s) -> Float64s:
    """Isotonic frequencies joined at the centres of their blocks, so that forecasts keep their order."""
    odds = log_odds(forecast)
    fitted = IsotonicRegression(y_min=0, y_max=1).fit(odds, fault, weight).predict(odds)
    blocks, place = np.unique(fitted, return_inverse=True)
    total = np.bincount(place, weights=weight)
    centres = np.bincount(place, weights=weight * odds) / total
    smoothed = (blocks * total + 0.5 * np.average(fault, weights=weight)) / (total + 0.5)
    values: Float64s = np.interp(grid, centres, np.maximum.accumulate(log_odds(smoothed)))
    return values
