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


def test_the_evidence_that_a_vehicle_of_seventy_corrections_asks_for():
    """Seventy read weekly at 0.1 a year, noise that remembers half: 3,652 looks a year at 0.87 exp(-threshold) each."""
    found = threshold(0.1, np.array([70.0]), YEARLY, np.full((70, 1), -7 / np.log(0.5)))
    np.testing.assert_allclose(found, np.log(70 * 365.25 / 7 * 0.87 / 0.1))
    assert 10.3 < found[0] < 11.0
