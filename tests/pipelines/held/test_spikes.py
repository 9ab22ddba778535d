"""Values without which a vehicle goes on as usual: how many good ones are told, and how small a misread one can be."""

import numpy as np
import pytest

from pipelines.held.spikes import GOOD_OUT, out_and_back

VEHICLES, READINGS = 200, 100
START = np.arange(VEHICLES + 1) * READINGS
NO_BEGINNING = np.zeros(VEHICLES * READINGS, np.int64)
NOISES = {
    "normal": lambda rng, n: rng.normal(size=n),
    "heavy tails": lambda rng, n: rng.standard_t(5, size=n),
    "whole steps": lambda rng, n: np.round(rng.normal(size=n)),
}


def told(x: np.ndarray, step: float = 0.0) -> np.ndarray:
    return out_and_back(x, START, NO_BEGINNING, step=step, neutral=float("nan"))


@pytest.mark.parametrize("name", NOISES)
@pytest.mark.parametrize("memory", [0.0, 0.6])
def test_of_good_values_no_more_are_left_out_than_is_promised(name, memory):
    rng, out, good = np.random.default_rng(5), 0, 0
    for _ in range(5):
        noise = NOISES[name](rng, VEHICLES * READINGS).reshape(VEHICLES, READINGS)
        for week in range(1, READINGS):
            noise[:, week] = memory * noise[:, week - 1] + np.sqrt(1 - memory**2) * noise[:, week]
        out, good = out + len(told(noise.ravel(), step=float(name == "whole steps"))), good + noise.size
    assert out <= GOOD_OUT * good + 3 * np.sqrt(GOOD_OUT * good)


def test_a_value_is_told_between_two_that_differ_if_one_usual_change_lies_between_them():
    rng = np.random.default_rng(6)
    x = rng.normal(size=VEHICLES * READINGS) * 0.7
    rows = START[:20] + 50
    x[rows - 1], x[rows], x[rows + 1] = -0.8, 7.0, 1.8  # they differ by half of the way back
    assert np.isin(rows, told(x)).all()


def test_a_step_is_no_excursion_however_large():
    rng = np.random.default_rng(7)
    x = rng.normal(size=VEHICLES * READINGS).reshape(VEHICLES, READINGS)
    x[:50, 40:] += 30.0
    assert not np.isin(START[:50] + 40, told(x.ravel())).any()
    assert not np.isin(START[:50] + 39, told(x.ravel())).any()
