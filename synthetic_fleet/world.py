"""What all vehicles of a depot share: weather and fuel of every day, working days, calendar."""

from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from synthetic_fleet.scenario import Scenario

Floats = npt.NDArray[np.float64]
HOLIDAYS = ((1, 1), (5, 1), (12, 25), (12, 26))
QUIET = ((12, 24, 0.3), (12, 27, 0.5), (12, 28, 0.5), (12, 29, 0.5), (12, 30, 0.5), (12, 31, 0.3))


def weather(scenario: Scenario, depot: str, first: date, days: int, seed: int) -> Floats:
    """[days, 5]: degC, kPa, ethanol beyond 8 %, trim % of the fuel, octane short (deg) at one depot.

    A depot's weather depends on the seed and its name alone. `ethanol` and `fuel_trim` of a depot, where given, are
    what its local fuel has beyond the fleet's.
    """
    place, fuel = scenario["depots"][depot], scenario["fuel"]
    rng = np.random.default_rng([seed, *depot.encode()])
    when = np.array([(first + timedelta(days=d)).timetuple().tm_yday for d in range(days)])
    warm = np.cos(2 * np.pi * (when - 200) / 365.25)  # 1 in July, -1 in January
    spell = np.zeros(days)
    air = np.zeros(days)
    shocks = rng.standard_normal((days, 2))
    for day in range(1, days):
        spell[day] = 0.8 * spell[day - 1] + 2.0 * shocks[day, 0]
        air[day] = 0.75 * air[day - 1] + 0.5 * shocks[day, 1]
    delivery = np.repeat(rng.standard_normal((days // 12 + 1, 2)), 12, axis=0)[:days]  # a tanker every 12 days
    winter = 1.0 / (1.0 + np.exp(6.0 * warm))  # the blend changes within a few weeks of spring and autumn
    out = np.empty((days, 5))
    out[:, 0] = place["mean_c"] + place["swing_c"] * warm + spell
    out[:, 1] = 101.3 * np.exp(-place["altitude_m"] / 8400.0) + air
    out[:, 2] = (
        fuel["summer_ethanol"] + (fuel["winter_ethanol"] - fuel["summer_ethanol"]) * winter + 0.4 * delivery[:, 0]
    )
    out[:, 2] += place.get("ethanol", 0.0)
    out[:, 3] = fuel["summer_trim"] + (fuel["winter_trim"] - fuel["summer_trim"]) * winter + 0.2 * delivery[:, 1]
    out[:, 3] += place.get("fuel_trim", 0.0)
    out[:, 4] = 0.15 * delivery[:, 1]
    return out


def work_factor(scenario: Scenario, first: date, days: int) -> Floats:
    """[days, duties]: share of an average day's use that a day of the calendar brings; 0: nobody drives."""
    duties = scenario["duties"].values()
    quiet = {(month, day): share for month, day, share in QUIET}
    out = np.empty((days, len(duties)))
    for k in range(days):
        today = first + timedelta(days=k)
        share = 0.0 if (today.month, today.day) in HOLIDAYS else quiet.get((today.month, today.day), 1.0)
        out[k] = [share * duty["days"][today.weekday()] for duty in duties]
    return out


def bad_tanks(scenario: Scenario, depot: str, days: tuple[int, int], seed: int) -> list[tuple[int, int]]:
    """Days on which a depot's tank is filled with bad fuel, and with which of the kinds of it."""
    rng = np.random.default_rng([seed, 1, *depot.encode()])
    years = (days[1] - days[0]) / 365.25
    count = rng.poisson(scenario["fuel"]["bad_tanks_per_depot_year"] * years)
    kinds = len(scenario["causes"]["fuel_contaminated"]["variants"])
    return sorted((int(day), int(rng.integers(kinds))) for day in rng.integers(days[0], days[1], count))


def bad_tank_rate(scenario: Scenario) -> float:
    """Rate per 1,000 vehicle-years at which a vehicle fills up with bad fuel."""
    return float(1000 * scenario["fuel"]["bad_tanks_per_depot_year"] * scenario["fuel"]["bad_tank_reaches"])
