import numpy as np
import pytest

from pipelines.bands.normal import COMPARED, _moved_mean


@pytest.mark.parametrize("days", [2.0, 10.0, 40.0, 150.0])
def test_noise_with_memory_moves_a_mean_as_its_covariances_say(days):
    at = np.linspace(0, 2 * COMPARED, 2001)[:-1]
    sign = np.where(at < COMPARED, -1.0, 1.0) / (len(at) / 2)
    moved = sign @ np.exp(-np.abs(at[:, None] - at) / days) @ sign
    np.testing.assert_allclose(_moved_mean(np.array([COMPARED / days])), moved, rtol=2e-3)
