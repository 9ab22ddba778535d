import numpy as np
import pytest

from pipelines.forecast.features import Features
from pipelines.forecast.intervals import FEW, METHODS, IntervalHazards
from pipelines.forecast.prior import PriorHazard

NAMES = ("age", *FEW)


def features_of_nothing(n: int) -> Features:
    return Features(
        values=np.ones((n, len(NAMES))), names=NAMES, rising=np.ones(len(NAMES), dtype=np.int64),
        passage=np.zeros((n, 3)), severity=np.zeros(n), leeway=np.full(n, 100.0), largest=np.zeros(n),
        leading=np.full(n, -1), side=np.zeros(n), deviations=np.zeros((n, 2)),
    )  # fmt: skip


@pytest.mark.parametrize("rate", [0.0, 1.0, 1e6])
def test_however_certain_the_prior_is_every_method_gives_probabilities_that_rise_with_the_horizon(rate):
    prior = PriorHazard(faults=rate * 1000, vehicle_years=1000.0, mean_risk=1.0, ageing=3.0)
    none = (None, None, None)
    hazards = IntervalHazards(direction=np.zeros(2), few=none, logistic=none, boosted=none, prior=prior)
    found = hazards.predict(features_of_nothing(4))
    assert set(found) == set(METHODS)
    for forecast in found.values():
        assert ((forecast > 0) & (forecast < 1)).all()
        assert (np.diff(forecast, axis=1) >= 0).all()
        assert forecast[:, :2] == pytest.approx(prior.probabilities(features_of_nothing(4))[:, :2], abs=1e-4)
