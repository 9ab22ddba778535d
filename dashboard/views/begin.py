"""Where to begin: what can be promised when a fleet is read so often, and what each figure needs; numbers in, rows out.

All of it is computed from the product's own constants and the promise in its settings, so that it cannot go stale.
"""

import numpy as np
import polars as pl

from dashboard.views.before_after import LEAST_VEHICLES
from pipelines.bands.built_in import ENOUGH_PEERS
from pipelines.bands.group_levels import LEAST as DEPOT_VEHICLES
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.drift.threshold import threshold
from pipelines.forecast.agreement import FEWEST_VEHICLES
from pipelines.forecast.stacked_hazard import FEWEST_FAULTS
from pipelines.outcome import SLOW_SHOWS
from pipelines.outliers.stage import FEWEST_PEERS
from pipelines.recurring.rollouts import LEAST_EVENTS, LEAST_OTHER_MONTHS
from pipelines.recurring.survival import LEAST_JOBS

CADENCES = {1: "every day", 7: "every week", 14: "every two weeks", 30: "every month"}  # days between readings
STEPS = (5.0, 3.0, 2.0)  # sizes of a sudden change, in healthy scatters
SLOPE = 1.0  # healthy scatters a month, of a slow one
MONTH, YEAR = 30.0, 365.25
TYPICAL_CORRECTIONS, TYPICAL_MEMORY_DAYS = 40.0, 0.5  # of a full set of learned corrections; a store says its own


def cadences(false_alarms_per_vehicle_year: float, *, corrections: float, memory_days: float) -> pl.DataFrame:
    """What reading a vehicle so often can promise.

    The threshold is the product's own for that promise. A change of d scatters brings d squared halves of evidence a
    reading where readings are independent, less where noise remembers; what is said is the fewest readings that any
    test of that promise needs on average (Lorden 1971, Annals of Mathematical Statistics 42, 1897-1908).

    Args:
        false_alarms_per_vehicle_year: The promise.
        corrections: How many a vehicle has that can alarm.
        memory_days: Time constant of healthy noise.

    Returns:
        `read` (words), `first_alarm` and `slow` (days until sudden and slow changes can show on a new vehicle),
        `step_5, step_3, step_2, slope` (days from the change to the alarm).
    """
    rows = []
    for days, words in CADENCES.items():
        a_year = YEAR / days
        [needed] = threshold(
            false_alarms_per_vehicle_year, np.array([corrections]), np.array([a_year]), np.array([[memory_days]])
        )
        remembered = float(np.exp(-days / memory_days))
        worth = (1 - remembered) / (1 + remembered)  # of a reading whose noise resembles that of the one before
        step = {f"step_{size:g}": days * np.ceil(2 * needed / (size**2 * worth)) for size in STEPS}
        a_reading = SLOPE * days / MONTH
        slope = days * np.ceil((6 * needed / (a_reading**2 * worth)) ** (1 / 3))
        rows.append(
            {"read": words, "first_alarm": days * LEAST_SETTLED, "slow": days * SLOW_SHOWS, **step, "slope": slope}
        )
    return pl.DataFrame(rows).cast({pl.Float64: pl.Int64})


def needs() -> pl.DataFrame:
    """What must have been read before a figure says something: `figure, needs, until_then`."""
    rows = [
        ("A level beyond what healthy engines hold", "1 reading; the second bears it out", "nothing"),
        ("An alarm on a change", f"{LEAST_SETTLED} readings of the correction", "it is called learning"),
        ("A slow change", f"about {SLOW_SHOWS} readings", "large steps alone show"),
        ("What is normal for an engine family", f"{ENOUGH_PEERS} vehicles of it", "built-in ranges stand in"),
        ("What is normal at a depot", f"{DEPOT_VEHICLES} vehicles there", "the family's level stands in"),
        (
            "Unlike its peers",
            f"{FEWEST_PEERS} vehicles of a family",
            "families are pooled",
        ),
        ("A chance of a fault learned here", f"{FEWEST_FAULTS} faults", "limits and a prior rate stand in"),
        ("How often a foreseen limit came true", f"{FEWEST_VEHICLES} vehicles headed for one", "half are taken to"),
        ("How long a repair holds", f"{LEAST_JOBS} jobs on a part", "no curve is drawn"),
        (
            "An early warning of a batch or calibration",
            f"{LEAST_EVENTS} events, and {LEAST_OTHER_MONTHS:g} vehicle-months of others",
            "it is watched",
        ),
        ("What an event changed, with an interval", f"{LEAST_VEHICLES} vehicles with it", "the median alone is said"),
    ]
    return pl.DataFrame(rows, schema=["figure", "needs", "until_then"], orient="row")


def of_this_fleet(drift_model: pl.DataFrame) -> tuple[float, float]:
    """How many corrections a vehicle has and how long its noise lasts, as the newest analysis found; else typical."""
    if not drift_model.height:
        return TYPICAL_CORRECTIONS, TYPICAL_MEMORY_DAYS
    corrections, memory = drift_model["corrections"].median(), drift_model["memory_days"].median()
    assert isinstance(corrections, float)  # noqa: S101 - columns of figures
    assert isinstance(memory, float)  # noqa: S101
    return corrections, memory
