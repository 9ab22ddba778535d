"""The threshold that a promise of false alarms asks for: promise in, evidence out."""

import numpy as np

from pipelines.handover import Float64s

# Rate of false alarms a series and reading = share * exp(-threshold), by what the noise remembers from one reading
# to the next: the test on pure noise of its own model, whose level it allows the least wander
# (tests/benchmarks/drift_threshold.py; alike at thresholds of 7, 8 and 9).
REMEMBERED, SHARES = (0.0, 0.3, 0.5, 0.8, 0.9, 0.97), (0.53, 0.73, 0.87, 0.96, 0.75, 0.5)


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
    evidence: Float64s = -np.log(rate)
    return evidence
