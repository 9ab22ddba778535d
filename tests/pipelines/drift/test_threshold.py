import numpy as np

from pipelines.drift.threshold import threshold

YEARLY, MEMORY = np.array([365.25 / 7]), np.full((3, 1), 10.0)


def test_a_promise_of_half_as_many_false_alarms_asks_for_as_much_more_evidence_as_twice_the_corrections():
    one = threshold(0.2, np.array([20.0]), YEARLY, MEMORY)
    half, twice = threshold(0.1, np.array([20.0]), YEARLY, MEMORY), threshold(0.2, np.array([40.0]), YEARLY, MEMORY)
    np.testing.assert_allclose(half - one, np.log(2))
    np.testing.assert_allclose(twice, half)


def test_readings_that_the_noise_remembers_are_fewer_looks():
    many = np.array([365.25])
    alike, apart = threshold(0.2, np.array([20.0]), many, MEMORY), threshold(0.2, np.array([20.0]), many, MEMORY / 10)
    assert alike < apart
