"""Dates of the limit against a closed form."""

import numpy as np
import pytest

from pipelines.drift.episode import POINTS, days_until, quantile

RAMP = 1


def test_dates_of_a_straight_line_with_an_uncertain_slope():
    """Slope 0.5 +- 0.1 a day, 10 to go: 15.920, 20.000 and 26.893 days; the grid of twelve slopes is good to 2.5 %."""
    per_30_days = 30 * (0.5 + 0.1 * POINTS)
    dates = np.array([days_until(RAMP, 10 / slope) for slope in per_30_days])
    weights, order = np.full(len(dates), 1 / len(dates)), np.argsort(dates)
    found = [quantile(dates, weights, order, share) for share in (0.1, 0.5, 0.9)]
    assert found == pytest.approx([15.920, 20.000, 26.893], rel=0.025)
