"""What healthy deviations look like at their newest row: their scatter in one family; arrays in, arrays out."""

import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float64s, Int64s

REFERENCE_DAYS = 28  # between two reference readings of a vehicle, so that they are nearly independent
WARM_UP = 8  # readings of a vehicle before the first reference
USUAL_SD = 0.6  # sd of a smoothed deviation in sigmas where too few references say otherwise (judgement)
PRIOR_REFERENCES = 20.0  # references that the usual sd and 'no correlation' are worth
LEAST_CORRELATION = 0.2  # below it corrections count as moving on their own


def deviation_noise(family: FamilyDrift) -> Float64s:
    """Standard deviation of each correction's `z` without a defect, [C], above 0.

    Robust: from the 90th percentile of its size at reference readings, drawn towards USUAL_SD where they are few.
    Corrections that move together in health (all trims, all knock retards) speak for each other less: the variance is
    raised to what their common movement leaves of their joint evidence.
    """
    rows = _reference_rows(family)
    z = family.z[rows].astype(np.float64)
    z[family.relearning[rows] | np.isnan(family.panel.values[rows])] = np.nan
    count = np.sum(~np.isnan(z), axis=0)
    size = np.abs(np.where(count > 0, z, 0.0))
    scale = np.nanquantile(size, 0.9, axis=0) / 1.645 if len(rows) else np.zeros(z.shape[1])
    sd = np.sqrt((count * scale**2 + PRIOR_REFERENCES * USUAL_SD**2) / (count + PRIOR_REFERENCES))
    together: Float64s = sd * np.sqrt(1.0 + _moving_together(z / sd))
    return together


def _moving_together(unit: Float64s) -> Float64s:
    """Sum of each correction's positive correlations with the others, those told from chance, [C]."""
    clipped = np.clip(np.nan_to_num(unit), -3.0, 3.0)
    read = (~np.isnan(unit)).astype(np.float64)
    pairs = read.T @ read
    norm = np.sqrt((clipped**2).T @ read * (read.T @ clipped**2))
    correlation = np.divide(clipped.T @ clipped, norm, out=np.zeros_like(norm), where=norm > 0)
    correlation *= pairs / (pairs + PRIOR_REFERENCES)
    np.fill_diagonal(correlation, 0.0)
    summed: Float64s = np.where(correlation > LEAST_CORRELATION, correlation, 0.0).sum(axis=1)
    return summed


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
