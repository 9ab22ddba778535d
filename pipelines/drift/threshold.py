"""The threshold that a promise of false alarms asks for: promise in, evidence out."""

import numpy as np

from pipelines.handover import Float64s

READINGS_A_YEAR = 365.25 / 7
# Rate of false alarms a series and reading = exp(INTERCEPT + SLOPE * threshold), by simulation of the filter on its
# own noise (tests/benchmarks/drift_study.py, "null"); the same within a tenth for memories of 0 to 0.8 a reading.
INTERCEPT, SLOPE = -0.5, -1.0


def threshold(false_alarms_per_vehicle_year: float, corrections: Float64s, readings_a_year: Float64s) -> Float64s:
    """Evidence at which to alarm, so that all corrections of a vehicle together keep the promise.

    Args:
        false_alarms_per_vehicle_year: The promise.
        corrections: How many corrections a vehicle has that can alarm, above 0.
        readings_a_year: How many readings of each there are in a year, above 0.
    """
    rate = false_alarms_per_vehicle_year / (corrections * readings_a_year)
    return (np.log(rate) - INTERCEPT) / SLOPE
