"""The threshold that a promise of false alarms asks for: promise in, evidence out."""

import numpy as np

from pipelines.handover import Float64s

# Rate of false alarms a series and reading = share * exp(INTERCEPT + SLOPE * threshold). Slope and shares by simulation
# of the filter on its own noise, at thresholds of 6 to 10, by what the noise remembers from one reading to the next;
# there the intercept is 0. Noise, season and levels have to be learned, and their errors' variance takes some away: the
# intercept lies amid light fleets of all kinds (tests/benchmarks/drift_study.py measures it).
INTERCEPT, SLOPE = -0.65, -1.0
REMEMBERED = (0.0, 0.3, 0.5, 0.8, 0.9, 0.97)
SHARES = (0.8, 0.9, 1.0, 1.0, 0.75, 0.6)


def threshold(
    false_alarms_per_vehicle_year: float, corrections: Float64s, readings_a_year: Float64s, memory_days: Float64s
) -> Float64s:
    """[B] evidence at which to alarm, so that all corrections of a vehicle together keep the promise.

    Args:
        false_alarms_per_vehicle_year: The promise.
        corrections: [B] how many corrections a vehicle has that can alarm, above 0.
        readings_a_year: [B] how many readings of each there are in a year, above 0.
        memory_days: [C, B] time constant of the noise.
    """
    remembered = np.exp(-365.25 / readings_a_year / memory_days)
    alike = np.interp(remembered, REMEMBERED, SHARES).mean(axis=0)
    rate = false_alarms_per_vehicle_year / (corrections * readings_a_year * alike)
    evidence: Float64s = (np.log(rate) - INTERCEPT) / SLOPE
    return evidence
