import numpy as np
import polars as pl
import pytest

from pipelines.history.learned import Learned
from pipelines.history.reading_rows import reading_rows
from pipelines.history.reset_likelihood import FALSE_A_YEAR, Inputs, reset_likelihood, threshold

WEEKS = 30
HOURS = [20.0 * week for week in range(WEEKS)]
RESET = 20  # week


@pytest.fixture
def told(evidence, weekly):
    """The log-likelihood ratios and the threshold of a fleet: values by code of each vehicle."""

    def make(fleet, catalogue):
        given = evidence(
            snapshots=[row for vehicle, values in fleet.items() for row in weekly(vehicle, HOURS, **values)],
            corrections=catalogue,
        )
        rows = reading_rows(given)
        hours = rows["ignition_hours"].to_numpy()
        begun, needed = np.zeros(rows.height, np.bool_), threshold(rows)[rows["block"].to_numpy()]
        return reset_likelihood(Inputs.of(rows, given, hours, begun, needed=needed, known=Learned.nothing())), needed

    return make


def corrections(groups, learn_hours=40.0):
    return [
        {"code": f"c{i}", "neutral": 0.0, "resolution": 0.1, "group": group, "learn_hours": learn_hours}
        for i, group in enumerate(groups)
    ]


def values(seed, groups, *, reset=(), left=0.6, level=4.0, noise=0.5):
    """Values about a level, of which `left` is missing in the reset week of the groups named, then less and less."""
    rng = np.random.default_rng(seed)
    missing = np.where(np.arange(WEEKS) >= RESET, left ** (np.arange(WEEKS) - RESET + 1.0), 0.0)
    return {
        f"c{i}": (level * (1 - missing * (group in reset)) + rng.normal(0.0, noise, WEEKS)).round(1).tolist()
        for i, group in enumerate(groups)
    }


def test_values_that_went_part_of_the_way_to_neutral_together_show_a_reset(told):
    groups = "aabbccdd"
    ratio, needed = told({"v": values(1, groups, reset="abcd")}, corrections(groups))
    assert int(ratio.argmax()) == RESET
    assert np.flatnonzero(ratio > needed).tolist() == [RESET]


def test_no_group_of_corrections_shows_a_reset_alone(told):
    groups = "aaaaaaab"
    ratio, needed = told({"v": values(1, groups, reset="a", left=0.95)}, corrections(groups))
    assert (ratio < needed).all()


def test_a_move_away_from_neutral_speaks_against_a_reset(told):
    groups = "aabbccdd"
    ratio, _ = told({"v": values(1, groups, reset="abcd", left=-0.6)}, corrections(groups))
    assert ratio[RESET] < -5.0


def test_what_is_relearned_within_hours_tells_nothing_a_week_later(told):
    groups = "aabbccdd"
    ratio, _ = told({"v": values(1, groups)}, corrections(groups, learn_hours=0.01))
    assert np.abs(ratio).max() < 0.5


def test_steady_vehicles_show_fewer_resets_than_was_promised(told):
    groups = "aabbccdd"
    fleet = {f"v{seed:03d}": values(seed, groups, level=1.5) for seed in range(150)}
    ratio, needed = told(fleet, corrections(groups))
    years = 150 * WEEKS * 7 / 365.25
    assert (ratio > needed).sum() <= FALSE_A_YEAR * years
    assert ratio.mean() < 0.0


def test_the_threshold_rises_with_the_readings_a_year(evidence, weekly):
    rows = reading_rows(evidence(snapshots=weekly("v", HOURS)))
    daily = rows.with_columns(pl.col("read_at").min() + (pl.col("read_at") - pl.col("read_at").min()) / 7)
    np.testing.assert_allclose(threshold(daily), threshold(rows) + np.log(7.0), atol=0.1)


def test_a_correction_that_was_hardly_ever_read_tells_nothing(told):
    groups = "ab"
    sparse = {
        code: [v if week in {0, 20} else None for week, v in enumerate(v20)] for code, v20 in values(1, groups).items()
    }
    ratio, _ = told({"v": sparse}, corrections(groups))
    assert (ratio == 0.0).all()
