import numpy as np
import pytest

from dashboard.views.begin import CADENCES, cadences, needs, of_this_fleet
from pipelines.bands.normal import LEAST_SETTLED
from pipelines.drift.threshold import threshold
from pipelines.forecast.stacked_hazard import FEWEST_FAULTS


def test_a_known_delay_weekly_readings_a_step_of_three():
    rows = {row["read"]: row for row in cadences(0.1, corrections=40.0, memory_days=0.01).to_dicts()}
    [needed] = threshold(0.1, np.array([40.0]), np.array([365.25 / 7]), np.array([[0.01]]))
    assert rows["every week"]["step_3"] == 7 * np.ceil(2 * needed / 9)
    assert rows["every week"]["first_alarm"] == 7 * LEAST_SETTLED


def test_reading_seldom_costs_days_and_noise_that_remembers_costs_readings():
    told = cadences(0.1, corrections=40.0, memory_days=0.5)
    assert told["read"].to_list() == list(CADENCES.values())
    for name in ("step_5", "step_3", "step_2", "slope", "first_alarm"):
        assert told[name].is_sorted()
    slow = cadences(0.1, corrections=40.0, memory_days=5.0)
    assert slow["step_2"][0] > told["step_2"][0]
    assert slow["step_2"][3] == pytest.approx(told["step_2"][3], abs=30)


def test_what_a_figure_needs_is_what_the_code_asks_for(tables):
    told = dict(needs().select("figure", "needs").iter_rows())
    assert told["A chance of a fault learned here"] == f"{FEWEST_FAULTS} faults"
    assert of_this_fleet(tables["vehicle_state"].clear().select()) == (40.0, 0.5)
