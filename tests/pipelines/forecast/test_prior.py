from dataclasses import replace

import numpy as np
import pytest

from pipelines.forecast.features import Features
from pipelines.forecast.limit_hazard import Nearing
from pipelines.forecast.origins import Origins
from pipelines.forecast.outcomes import Outcomes
from pipelines.forecast.prior import PriorHazard, learn_prior
from pipelines.forecast.time_grid import ENDS

YEAR = 365.25


def features_at(age_days: np.ndarray) -> Features:
    """Vehicles of some age that nothing else tells apart."""
    n = len(age_days)
    return Features(
        values=np.log1p(age_days)[:, None], names=("age",), rising=np.zeros(1, dtype=np.int64),
        passage=np.zeros((n, len(ENDS))), ahead=np.zeros((n, len(ENDS), 0)), ahead_names=(), severity=np.zeros(n),
        leeway=np.full(n, 100.0), largest=np.zeros(n), leading=np.full(n, -1), side=np.zeros(n),
        lead=np.full(n, -1),
        deviations=np.zeros((n, 2), np.float32), changes=np.zeros((n, 2), np.float32),
        newest=np.zeros((n, 2), np.float32), codes=("a", "b"),
        nearing=Nearing(used=np.zeros((n, 4), np.float32), rate=np.zeros((n, 4), np.float32), stale=np.zeros(n)),
        sides=("a low", "a high", "b low", "b high"),
        fold=np.zeros(n, np.int64),
    )  # fmt: skip


def watched_weekly(shape: float, *, vehicles: int, seed: int) -> tuple[Origins, Features, Outcomes]:
    """Vehicles watched from new until they fail or for a year; life in years is Weibull with scale 1."""
    life = np.random.default_rng(seed).weibull(shape, vehicles) * YEAR
    age, vehicle = (grid.ravel() for grid in np.meshgrid(np.arange(0.0, YEAR, 7.0), np.arange(vehicles)))
    alive = life[vehicle] > age
    age, vehicle = age[alive], vehicle[alive]
    n = len(age)
    none = np.zeros(n, dtype=np.int64)
    origins = Origins(vehicle=vehicle, at=age, family=none, row=none, read=age, weight=np.ones(n))
    outcomes = Outcomes(
        fault=life[vehicle] - age, repair=np.full(n, np.inf), unseen=np.full(n, 1000.0), found_late=np.zeros(n, bool)
    )
    return origins, features_at(age), outcomes


@pytest.mark.parametrize("shape", [1.0, 3.0])
def test_ageing_is_found_where_there_is_some_and_only_there(shape):
    prior = learn_prior(*watched_weekly(shape, vehicles=300, seed=2), every_days=7.0)
    assert prior.ageing == pytest.approx(shape, rel=0.15)


def test_the_forecast_of_an_ageing_fleet_is_that_of_its_weibull_hazard():
    prior = learn_prior(*watched_weekly(3.0, vehicles=2000, seed=4), every_days=7.0)
    age = np.array([0.3, 0.6, 0.9])
    truth = 1 - np.exp(age**3 - (age + 90 / YEAR) ** 3)
    assert prior.probabilities(features_at(age * YEAR))[:, 2] == pytest.approx(truth, rel=0.15)


def test_with_hardly_a_fault_age_says_nothing_yet():
    nothing = PriorHazard(faults=0.0, vehicle_years=10.0, mean_risk=1.0, ageing=1.0)
    young, old = nothing.probabilities(features_at(np.array([1.0, 3000.0])))
    assert young == pytest.approx(old)
    origins, features, outcomes = watched_weekly(3.0, vehicles=5, seed=1)
    none = replace(outcomes, fault=np.full(len(origins), np.inf))
    assert learn_prior(origins, features, none, every_days=7.0).ageing == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("rate", [0.0, 1.0, 1e6])
def test_however_certain_the_prior_is_it_gives_probabilities_that_rise_with_the_horizon(rate):
    prior = PriorHazard(faults=rate * 1000, vehicle_years=1000.0, mean_risk=1.0, ageing=3.0)
    forecast = prior.probabilities(features_at(np.array([10.0, 900.0])))
    assert ((forecast > 0) & (forecast < 1)).all()
    assert (np.diff(forecast, axis=1) >= 0).all()
