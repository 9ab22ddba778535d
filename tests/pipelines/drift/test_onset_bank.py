"""The bank of onsets, compiled and as plain Python: what one innovation adds, which onset is the best, which go."""

import numpy as np
import pytest

from pipelines.drift import onset_bank
from pipelines.drift.level_filter import Innovation

WHITE = Innovation(1.0, 2.0, 4.0, 0.0, 0.0)  # a filter that takes nothing in: level known, noise without memory


@pytest.fixture(params=["compiled", "plain"])
def kernel(request):
    """Function: name -> the kernel, as it is compiled or as Python reads it."""

    def get(name):
        found = getattr(onset_bank, name)
        return found if request.param == "compiled" else found.py_func

    return get


def bank_of(*onsets):
    """With an onset after each reading: (day, number, squared z of its step)."""
    bank = np.zeros(onset_bank.CANDIDATES, dtype=onset_bank.ONSET).view(np.recarray)
    for j, (day, reading, z2) in enumerate(onsets):
        onset_bank.open_onset.py_func(bank, j, day, reading)
        bank[j].step_z2 = z2
    return bank


def test_of_a_step_in_white_noise_the_mean_tells(kernel):
    """Four scores of 1 with sd 2: sum 4, variance 4, squared z 4."""
    bank = bank_of((0.0, 1, 0.0))
    for _ in range(4):
        best = kernel("weigh")(bank, 1, WHITE, 1.0, 0.0)
    assert best.z2 == pytest.approx(4.0)
    assert best.score / best.weight == pytest.approx(2.0)  # its size, unit of the correction
    assert best.is_ramp == 0


def test_what_grows_is_a_ramp_and_what_does_not_a_step(kernel):
    bank = bank_of((0.0, 1, 0.0))
    for day in (30.0, 60.0, 90.0):
        best = kernel("weigh")(bank, 1, WHITE, day / 60, day)
    assert best.is_ramp == 1
    assert best.score / best.weight == pytest.approx(1.0)  # a unit in 30 days: half a score of sd 2


def test_the_onset_that_leaves_out_what_was_before_it_wins(kernel):
    bank = bank_of((0.0, 1, 0.0))
    for _ in range(3):
        kernel("weigh")(bank, 1, WHITE, 0.0, 0.0)
    kernel("open_onset")(bank, 1, 0.0, 4)
    for _ in range(2):
        best = kernel("weigh")(bank, 2, WHITE, 3.0, 0.0)
    assert best.z2 == pytest.approx(18.0)
    assert bank[0].step_z2 == pytest.approx(36 / 5)


def test_what_the_filter_took_in_is_no_news(kernel):
    """A level that takes half of each innovation: a step of 1 leaves 1, then a half, then a quarter."""
    change = np.zeros(1, dtype=onset_bank.CHANGE).view(np.recarray)[0]
    half = Innovation(0.0, 1.0, 1.0, 0.5, 0.0)
    for _ in range(3):
        kernel("follow")(change, 1.0, half, 0.0, 1.0)
    assert change.level == pytest.approx(0.875)
    assert change.weight == pytest.approx(1 + 1 / 4 + 1 / 16)


def test_the_noise_forgets_a_change_with_time(kernel):
    bank = bank_of((0.0, 1, 0.0))
    bank[0].step.noise = bank[0].ramp.noise = 0.8
    kernel("fade")(bank, 1, 0.5)
    assert bank[0].step.noise == bank[0].ramp.noise == pytest.approx(0.4)


def test_old_onsets_lie_as_far_apart_as_they_are_old_and_notable_ones_stay(kernel):
    bank = bank_of(*((7.0 * n, n, 9.0 if n == 50 else 0.0) for n in range(1, 31)))
    count = 30
    for n in range(31, 101):
        onset_bank.open_onset(bank, count, 7.0 * n, n)
        bank[count].step_z2 = 9.0 if n == 50 else 0.0
        count = kernel("thin")(bank, count + 1, n + 1)
    kept = bank.reading[:count].astype(int).tolist()
    assert {1, 50, 99, 100} <= set(kept)
    assert kept == sorted(kept)
    assert count < 16


def test_there_is_always_room_for_one_more(kernel):
    bank = bank_of(*((7.0 * n, n, 9.0 + n % 2) for n in range(1, onset_bank.CANDIDATES + 1)))
    bank.reading[:] = 2.0 ** np.arange(onset_bank.CANDIDATES)  # too far apart for any to go
    assert kernel("thin")(bank, onset_bank.CANDIDATES, -1.0) < onset_bank.CANDIDATES
