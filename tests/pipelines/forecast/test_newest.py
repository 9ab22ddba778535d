from dataclasses import replace

import numpy as np
import pytest

from pipelines.forecast.family_scales import FamilyScales
from pipelines.forecast.newest import FARTHEST
from pipelines.forecast.newest import newest_readings as of_scales
from pipelines.forecast.outcomes import record_of
from pipelines.forecast.past import past_of
from pipelines.forecast.stacked_hazard import learn_hazard


def newest_readings(family, rows):
    return of_scales(family, rows, FamilyScales.of(family))


@pytest.fixture
def family(failing_fleet):
    return failing_fleet.drift.families[0]


def with_values(family, values):
    return replace(family, panel=replace(family.panel, values=values.astype(np.float32)))


def test_what_grows_is_said_as_it_was_read_and_not_smoothed(family):
    """Weekly readings: the newest ten days hold two of them."""
    row, sigma = int(family.panel.row_start[1]) - 1, family.sigma[0] * family.scale[-1, 0]
    values = np.where(np.isfinite(family.panel.values), 0.0, np.nan)
    values[: row + 1, 0] = np.arange(row + 1.0)
    told = newest_readings(
        replace(with_values(family, values), expected=np.zeros_like(family.expected)), np.array([row])
    )
    assert told[0, 0] == pytest.approx(min((row - 0.5) / sigma, FARTHEST))


def test_one_misread_value_is_cut_and_what_was_not_read_says_nothing(family):
    row, width = int(family.panel.row_start[1]) - 1, len(family.panel.codes)
    values = family.panel.values.copy()
    values[row, 0], values[row - 1 : row + 1, 1] = 1e9, np.nan
    told = newest_readings(with_values(family, values), np.array([row]))[0]
    assert np.abs(told).max() <= FARTHEST
    assert told[1] == told[width + 1] == 0


def test_no_later_reading_of_its_vehicle_is_looked_at(family):
    start, end = family.panel.row_start[:2]
    rows = np.arange(start, end - 3)
    values = family.panel.values.copy()
    values[end - 2 : end] += 0.25
    assert (newest_readings(with_values(family, values), rows) == newest_readings(family, rows)).all()


def test_readings_that_say_nothing_hardly_change_a_forecast_of_few_faults(fleet_of):
    fleet = fleet_of(vehicles=60, weeks=44, straying=0.25, seed=5)
    assert 5 <= fleet.history.fault_events.height <= 12
    known = {"evidence": fleet.evidence, "history": fleet.history}
    record = record_of(**known)
    past = past_of(fleet.drift, fleet.outliers, record, fleet.evidence.as_of.timestamp() / 86_400, seed=1, **known)
    past = past.without(np.arange(len(past.origins)) % 4 > 0)  # enough rows for so few faults
    noise = np.random.default_rng(2).normal(size=(len(past.origins), 40)).astype(np.float32)

    def forecast(newest):
        features = replace(past.features, newest=newest)
        learned = learn_hazard(replace(past, features=features))
        return learned.forecast(features)[0]

    without, beside = forecast(noise[:, :0]), forecast(noise)
    apart = np.abs(np.log(beside) - np.log(without))
    assert np.average(apart, weights=past.origins.weight, axis=0).max() < 0.35
    assert beside.mean(axis=0) == pytest.approx(without.mean(axis=0), rel=0.2)
