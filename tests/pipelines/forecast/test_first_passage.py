"""Leeway ahead and first passage of a row, in each series' own scatter. A second."""

from dataclasses import replace

import numpy as np

from pipelines.forecast.first_passage import summarise_rows


def passages(family, scale):
    """[n, L] of every vehicle's newest reading, all its corrections scattering by `scale`."""
    rows = family.panel.row_start[1:] - 1
    shape = (len(rows), len(family.panel.codes))
    none = np.zeros(shape, dtype=np.bool_)
    scattered = replace(family, scale=np.full_like(family.scale, scale))
    return summarise_rows(
        scattered, rows, np.zeros(shape), stale_days=np.zeros(len(rows)), done_low=none, done_high=none,
        kind=np.arange(shape[1]), kinds=shape[1],
    )[1]  # fmt: skip


def test_what_scatters_more_is_less_sure_to_meet_its_limit_and_less_sure_not_to(failing_fleet):
    family = failing_fleet.drift.families[0]
    calm, wild = passages(family, 1.0), passages(family, 3.0)
    sure, hardly = (calm > 0.7) & (calm < 0.9999), (calm > 1e-6) & (calm < 0.1)
    assert min(sure.sum(), hardly.sum()) > 5
    assert (wild[sure] < calm[sure]).mean() > 0.8
    assert (wild[hardly] > calm[hardly]).mean() > 0.8


def test_a_series_whose_scatter_is_not_known_yet_takes_the_pooled_one(failing_fleet):
    family = failing_fleet.drift.families[0]
    np.testing.assert_array_equal(passages(family, np.nan), passages(family, 1.0))
