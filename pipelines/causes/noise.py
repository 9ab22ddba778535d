"""What healthy deviations look like at their newest row: their covariance in one family; arrays in, matrix out."""

import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float64s, Int64s

REFERENCE_DAYS = 28  # between two reference readings of a vehicle, so that they are nearly independent
WARM_UP = 8  # readings of a vehicle before the first reference
USUAL_SD = 0.6  # sd of a smoothed deviation in sigmas where too few references say otherwise (judgement)
PRIOR_REFERENCES = 20.0  # references that the usual sd and 'no correlation' are worth


def deviation_noise(family: FamilyDrift) -> Float64s:
    """Covariance of `z` without a defect, [C, C], positive definite.

    Robust: the scale is the median absolute value, correlations are those of values clipped at three scales; both
    shrink to the usual where there are few reference readings. Readings in alarm or relearning are left out.
    """
    rows = _reference_rows(family)
    z = family.z[rows].astype(np.float64)
    z[family.alarm[rows] | family.relearning[rows] | np.isnan(family.panel.values[rows])] = np.nan
    count = np.sum(~np.isnan(z), axis=0)
    absolute = np.abs(np.where(count > 0, z, 0.0))
    scale = 1.4826 * np.nanmedian(absolute, axis=0, keepdims=False) if len(rows) else np.zeros(z.shape[1])
    variance = (count * scale**2 + PRIOR_REFERENCES * USUAL_SD**2) / (count + PRIOR_REFERENCES)
    sd = np.sqrt(variance)
    unit = np.clip(np.nan_to_num(z / sd), -3.0, 3.0)
    read = (~np.isnan(z)).astype(np.float64)
    pairs = read.T @ read
    norm = np.sqrt((unit**2).T @ read * (read.T @ unit**2))
    correlation = np.divide(unit.T @ unit, norm, out=np.zeros_like(norm), where=norm > 0)
    correlation *= 0.95 * pairs / (pairs + PRIOR_REFERENCES)
    np.fill_diagonal(correlation, 1.0)
    covariance: Float64s = _positive(correlation) * np.outer(sd, sd)
    return covariance


def _reference_rows(family: FamilyDrift) -> Int64s:
    """Rows at least REFERENCE_DAYS apart within a vehicle, after its first readings."""
    panel = family.panel
    if not len(panel.read_at):
        return np.zeros(0, dtype=np.int64)
    vehicle = np.repeat(np.arange(len(panel.vehicles)), np.diff(panel.row_start))
    since_first = np.arange(len(vehicle)) - panel.row_start[vehicle]
    period = (panel.read_at.astype("datetime64[D]").astype(np.int64)) // REFERENCE_DAYS
    new_period: Bools = np.append(True, (np.diff(period) > 0) | (np.diff(vehicle) > 0))
    return np.flatnonzero(new_period & (since_first >= WARM_UP))


def _positive(correlation: Float64s) -> Float64s:
    """The correlation matrix with small eigenvalues lifted, diagonal back at 1."""
    values, vectors = np.linalg.eigh(correlation)
    lifted = (vectors * np.maximum(values, 0.05)) @ vectors.T
    scale = np.sqrt(np.diag(lifted))
    positive: Float64s = lifted / np.outer(scale, scale)
    return positive
