"""The season is what settled peers do together; what relearns says nothing of it."""

import numpy as np

from pipelines.bands import season
from pipelines.bands.group_levels import GROUP

WEEKS = 40


def last_season(*, gap, settled):
    """Season for a vehicle that is left out, in a family of two, after its only peer came back from a reset."""
    week = np.arange(WEEKS)
    epoch = (week >= 15).astype(np.int32)
    x = np.where(week >= 15, gap * 0.5 ** (week - 15), 0.0)
    weeks, peers = np.zeros((WEEKS, 2), dtype=season.WEEKLY), season.blank_peers(2)
    nothing = np.zeros(WEEKS, dtype=np.int32)
    order, cell_start = season.by_cell(week, nothing, (WEEKS, 2), since=0)
    one = np.ones(1)
    season.run_weeks(
        x, order, cell_start, 0, WEEKS, week, nothing, nothing, nothing[:1], epoch, settled, nothing, one, 4 * one,
        0.2 * one, 0.02 * one, 0 * one, 0 * one, 1, peers, np.zeros(1, dtype=GROUP), np.full((WEEKS, 1), np.nan), weeks,
    )  # fmt: skip
    return weeks["season"][-1, 0]


def test_a_peer_that_relearns_moves_no_season():
    settled = np.arange(WEEKS) < 15
    settled[21:] = True
    assert abs(last_season(gap=8.0, settled=settled)) < 0.2
    assert abs(last_season(gap=8.0, settled=np.ones(WEEKS, dtype=bool))) > 0.4
