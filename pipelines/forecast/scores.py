"""Proper scores and calibration of probabilities against what happened; weights are those of censoring."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import average_precision_score, roc_auc_score

from pipelines.handover import Float64s

SMALLEST = 1e-6  # numerical
LIGHT = 1e-5  # belief in a perfect line, against a weight of 1 for all rows together; numerical


def log_odds(probability: Float64s) -> Float64s:
    """Log odds of probabilities, cut at a millionth from 0 and 1."""
    clipped = np.clip(probability, SMALLEST, 1 - SMALLEST)
    odds: Float64s = np.log(clipped / (1 - clipped))
    return odds


def brier(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    """Mean squared error of the probabilities (Brier, 1950)."""
    return float(np.average((forecast - fault) ** 2, weights=weight))


def brier_skill(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    """1 - Brier score / that of the base rate; NaN where nothing or everything happened."""
    rate = np.average(fault, weights=weight)
    return 1 - brier(forecast, fault, weight) / (rate * (1 - rate)) if 0 < rate < 1 else float("nan")


def auc(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    """Chance that a row with a fault was given more than one without; ties count half; NaN without both kinds."""
    if not 0 < np.average(fault, weights=weight) < 1:
        return float("nan")
    return float(roc_auc_score(fault, forecast, sample_weight=weight))


def average_precision(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    """Area under precision over recall, by steps; tied forecasts enter together; NaN without a fault."""
    if not np.average(fault, weights=weight) > 0:
        return float("nan")
    return float(average_precision_score(fault, forecast, sample_weight=weight))


def calibration_line(forecast: Float64s, fault: Float64s, weight: Float64s) -> tuple[float, float]:
    """Slope and intercept of calibration, 1 and 0 for forecasts that mean what they say.

    The slope is that of the logistic line through the log odds, below 1 where forecasts are too bold; the intercept is
    taken with the slope held at 1, above 0 where they are too low on average.

    Source: Cox (1958), Two further applications of a model for binary regression.
    """
    if not 0 < np.average(fault, weights=weight) < 1:
        return float("nan"), float("nan")
    odds, scale = log_odds(forecast), weight / weight.sum()

    def loss(line: Float64s) -> tuple[float, Float64s]:
        at = line[0] * odds + line[1]
        error = scale * (expit(at) - fault)
        away = LIGHT * (line - np.array([1.0, 0.0]))  # keeps the line finite where faults and the rest never overlap
        value = (scale * (np.logaddexp(0, at) - fault * at)).sum() + (away**2).sum() / (2 * LIGHT)
        return float(value), np.array([(error * odds).sum(), error.sum()]) + away

    def loss_at_one(shift: Float64s) -> tuple[float, Float64s]:
        value, gradient = loss(np.array([1.0, shift[0]]))
        return value, gradient[1:]

    slope = minimize(loss, np.array([1.0, 0.0]), jac=True, method="BFGS").x[0]
    return float(slope), float(minimize(loss_at_one, np.zeros(1), jac=True, method="BFGS").x[0])


@dataclass(frozen=True, kw_only=True)
class Decomposition:
    """Brier score = miscalibration - discrimination + uncertainty, all at least 0."""

    miscalibration: float
    discrimination: float
    uncertainty: float


def decompose(forecast: Float64s, fault: Float64s, weight: Float64s) -> Decomposition:
    """CORP decomposition of the Brier score by isotonic regression.

    Source: Dimitriadis, Gneiting and Jordan (2021), Stable reliability diagrams for probabilistic classifiers.
    """
    rounded = np.round(forecast, 12)  # the library treats values closer than that as one, but not when it predicts
    recalibrated = IsotonicRegression(y_min=0, y_max=1).fit(rounded, fault, weight).predict(rounded)
    rate = np.average(fault, weights=weight)
    best, base = brier(recalibrated, fault, weight), float(rate * (1 - rate))
    return Decomposition(
        miscalibration=brier(forecast, fault, weight) - best, discrimination=base - best, uncertainty=base
    )


def remaining_survival(days: Float64s, failed: Float64s, at: Float64s) -> Float64s:
    """Kaplan-Meier estimate of surviving beyond each time of `at`, [m].

    Args:
        days: Time of failure or of the last look, [n].
        failed: 1: failed then, 0: not seen further, [n].
        at: Times asked for, [m].

    Source: Kaplan and Meier (1958).
    """
    times = np.unique(days[failed > 0])
    risk = len(days) - np.searchsorted(np.sort(days), times, side="left")
    failures = np.bincount(np.searchsorted(times, days[failed > 0]), minlength=len(times))
    curve = np.concatenate([[1.0], np.cumprod(1 - failures / np.maximum(risk, 1))])
    survival: Float64s = curve[np.searchsorted(times, at, side="right")]
    return survival
