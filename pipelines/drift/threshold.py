"""The threshold that a promise of false alarms asks for: promise in, evidence out."""

import numpy as np

from pipelines.handover import Float64s

# Rate of false alarms a series and reading = exp(INTERCEPT + SLOPE * threshold), by simulation of the filter on its
# own noise, at thresholds of 7 to 10; daily to fortnightly readings and memories of 0.2 to 0.8 a week agree within a
# quarter, readings without memory alarm half as often (tests/benchmarks/drift_study.py measures it).
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
