"""What is normal is learned back from light fleets, whatever their noise, with defects among the vehicles."""

import numpy as np
import pytest
from drift_fleets import World, light_fleet

from pipelines.bands.fit import SAMPLE, _moves, sampled, straying
from pipelines.bands.learning import LEAST_MOVE, learn_normals
from pipelines.bands.noise import Noise, variograms
from pipelines.bands.normal import days
from pipelines.bands.panel import panels
from pipelines.bands.relearning import settled_rows
from pipelines.bands.tails import correlation


def learned(world):
    fleet = light_fleet(world)
    found = panels(fleet.evidence, fleet.history)
    start = min(float(days(panel).min()) for panel in found)
    settled = [settled_rows(panel, days(panel), np.zeros(len(panel.codes))) for panel in found]
    return learn_normals(found, fleet_start=start, settled=settled)


@pytest.mark.parametrize("memory", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("drifting", [0.0, 0.35])
def test_sigma_and_memory_come_back_with_defects_in_a_third_of_the_vehicles(memory, drifting):
    normal = learned(World(vehicles=90, corrections=4, weeks=80, memory=memory, drifting=drifting, seed=8))[0]
    sigma = normal.sigma[:, -1] / np.geomspace(0.1, 10, 4)
    assert sigma == pytest.approx(np.ones(4), abs=0.12)
    assert np.median(normal.memory_days[:, -1]) == pytest.approx(-7 / np.log(memory), rel=0.35)


def test_two_readings_of_different_epochs_tell_nothing_of_the_noise():
    x = np.random.default_rng(5).normal(size=(1, 60))
    epoch = np.repeat([[0, 1]], 30, axis=1)
    moved = np.where(epoch == 1, x + 100.0, x)
    where = np.array([0, 60]), np.arange(60) * 7.0, np.zeros(1)
    for found, other in zip(variograms(x, epoch, *where), variograms(moved, epoch, *where), strict=True):
        np.testing.assert_allclose(found, other)
    assert variograms(x, epoch, *where)[2].sum() < variograms(x, 0 * epoch, *where)[2].sum()


def test_of_a_vehicle_with_many_readings_no_more_counts_than_of_two_usual_ones():
    """Nine vehicles of five readings, and one of a hundred that scatters ten times as much."""
    rng = np.random.default_rng(6)
    row_start = np.append(np.arange(0, 46, 5), 145)
    x = np.append(rng.normal(size=45), rng.normal(0, 10, 100))[None].astype(np.float32)
    where = row_start, np.concatenate([np.arange(5) * 7.0] * 9 + [np.arange(100) * 7.0]), np.zeros(1)
    gamma, _, pairs = variograms(x, np.zeros_like(x, dtype=np.int32), *where)
    usual = variograms(x[:, :45], np.zeros((1, 45), dtype=np.int32), row_start[:10], where[1][:45], where[2])
    assert pairs.sum() == pytest.approx(11 * usual[2].sum() / 9)
    assert gamma[0, 4] < 3 * usual[0][0, 4]


def test_what_strays_teaches_nothing_where_it_brings_a_good_part_of_all_readings():
    """Forty vehicles of six readings, and one of thirty that strays in the first of three corrections."""
    rng = np.random.default_rng(7)
    row_start = np.append(np.arange(0, 241, 6), 270)
    x = rng.normal(size=(3, 270)).astype(np.float32)
    x[0, 240:] += np.linspace(-10, 10, 30, dtype=np.float32)
    assert np.argwhere(straying(x, row_start)).tolist() == [[0, 40]]
    x[:, 246:] = np.nan  # read as seldom as the others
    assert not straying(x, row_start).any()


def test_rounding_as_coarse_as_the_noise_is_told_from_it():
    normal = learned(World(vehicles=90, corrections=4, weeks=80, step=1.0, seed=9))[0]
    unit = np.geomspace(0.1, 10, 4)
    assert normal.sigma[:, -1] / unit == pytest.approx(np.ones(4), abs=0.12)
    assert normal.rounding[:, -1] / unit**2 == pytest.approx(np.full(4, 1 / 12), rel=0.01)


@pytest.mark.parametrize("memory", [0.5, 0.8])
def test_the_memory_of_readings_rounded_to_two_sigmas_comes_back(memory):
    normal = learned(World(vehicles=90, corrections=4, weeks=80, step=2.0, memory=memory, seed=9))[0]
    assert normal.sigma[:, -1] / np.geomspace(0.1, 10, 4) == pytest.approx(np.ones(4), abs=0.15)
    assert np.median(normal.memory_days[:, -1]) == pytest.approx(-7 / np.log(memory), rel=0.25)


def test_a_season_that_some_vehicles_see_half_of_is_no_wander():
    world = World(vehicles=60, corrections=12, weeks=60, season=2.0, memory=0.2, joining=0.6, resets=1.0, seed=14)
    normal = learned(world)[0]
    assert np.median(normal.wander[:, -1] / normal.sigma[:, -1] ** 2) < 3e-4


def test_families_of_three_have_noise_and_no_level_that_wanders_as_much():
    normals = learned(World(vehicles=9, families=3, corrections=30, weeks=30, memory=0.8, tails=4.0, seed=16))
    for normal in normals:
        assert (normal.sigma / np.geomspace(0.1, 10, 30)[:, None]).min() > 0.15
        assert (normal.wander / normal.sigma**2).max() < 1.0


def test_corrections_of_one_family_keep_tails_of_their_own():
    normal = learned(World(vehicles=90, corrections=8, weeks=80, tails=(0.0, 3.5), seed=15))[0]
    light, heavy = normal.tails[::2, -1], normal.tails[1::2, -1]
    assert light[:, -2].max() < 3.6 < heavy[:, -2].min()
    assert (light[:, -1] < 4.3).all()


def test_heavy_tails_widen_the_knots_far_out_and_not_the_middle():
    light = learned(World(vehicles=90, corrections=4, weeks=80, seed=10))[0].tails[:, -1]
    heavy = learned(World(vehicles=90, corrections=4, weeks=80, tails=3.5, seed=10))[0].tails[:, -1]
    assert (heavy[:, -1] > light[:, -1] + 0.5).all()
    assert (heavy[:, 2] < light[:, 2] + 0.1).all()
    assert (np.diff(heavy, axis=1) > 0).all()


def test_what_a_few_share_is_as_large_in_their_sum_however_many_share_nothing():
    """Six of sixty with correlation 0.4: the variance of their sum is 6 + 30 * 0.4, and nobody else has any."""
    rng = np.random.default_rng(3)
    z = rng.standard_normal((60, 900))
    z[:6] = np.sqrt(0.6) * z[:6] + np.sqrt(0.4) * rng.standard_normal(900)
    together = correlation(z)
    assert together[:6, :6].sum() == pytest.approx(18.0, rel=0.1)
    assert np.abs(together[6:, 6:] - np.eye(54)).mean() < 0.01  # chance alone would show 0.027


def test_weeks_in_which_a_few_that_stray_are_all_that_is_heard_make_no_season_that_leaps():
    rng = np.random.default_rng(4)
    together = np.cumsum(rng.normal(0, 0.1, (1, 2, 300)), axis=2)
    noise = Noise(**{name: np.array([value]) for name, value in (
        ("sigma", 0.2), ("memory_days", 1.0), ("rounding", 0.0), ("wander", 0.0), ("pairs", 1e4)
    )})  # fmt: skip
    peers = np.full(together.shape, 40.0)
    season, depot = _moves(noise, together, peers)
    astray = together + 8.0 * (rng.random(together.shape) < 0.04)
    season_heard, depot_heard = _moves(noise, astray, peers)
    assert season_heard[0, 0] < 3 * season[0, 0]  # by the mean of squares sixty times
    assert depot_heard[0, 0] < 3 * depot[0, 0]


def test_what_drifts_shows_no_tail():
    none, some = (
        learned(World(vehicles=90, corrections=6, weeks=80, drifting=share, seed=18))[0].tails[:, -1]
        for share in (0.0, 0.5)
    )
    assert some[:, -1].mean() == pytest.approx(none[:, -1].mean(), abs=0.3)


def test_families_of_three_lean_on_the_others():
    normals = learned(World(vehicles=30, families=10, corrections=2, weeks=40, seed=11))
    sigma = np.array([normal.sigma[:, -1] for normal in normals]) / np.geomspace(0.1, 10, 2)
    assert sigma.mean() == pytest.approx(1.0, abs=0.12)
    assert sigma.std() < 0.2


@pytest.mark.parametrize(("wander", "low", "high"), [(0.0, 0.0, 8e-4), (0.6, 8e-4, 3e-3)])  # 2 x 0.36 / 300 days
def test_levels_wander_as_all_corrections_together_show_not_as_chance_has_it_in_one(wander, low, high):
    normal = learned(World(vehicles=60, corrections=20, weeks=104, wander=wander, seed=12))[0]
    share = normal.wander[:, -1] / normal.sigma[:, -1] ** 2
    assert low <= share.min()
    assert share.max() <= high


def test_corrections_that_sleep_or_start_anew_leave_more_of_the_promise_to_the_others():
    whole = learned(World(vehicles=40, corrections=6, weeks=60, seed=17))[0]
    anew = learned(World(vehicles=40, corrections=6, weeks=60, resets=4.0, seed=17))[0]
    assert whole.corrections == pytest.approx(6.0)
    assert (anew.corrections < 5.0).all()
    assert (anew.corrections > 3.0).all()


def test_a_large_family_is_learned_from_so_many_vehicles_and_who_joins_changes_few_of_them():
    names = [f"WC-{number:05d}" for number in range(1000)]
    of_all = {names[v] for v in sampled(names, np.arange(1000))}
    before = {names[v] for v in sampled(names, np.arange(950))}
    assert len(of_all) == len(before) == SAMPLE
    assert len(of_all & before) > 0.9 * SAMPLE
    np.testing.assert_array_equal(sampled(names, np.arange(30)), np.arange(30))


def test_families_of_few_vehicles_show_their_weather_together_and_one_of_them_shows_none():
    def moves(families):
        normals = learned(World(family_sizes=(3,) * families, corrections=4, weeks=60, season=1.5, seed=4))
        return np.median([normal.season_move[:, -1] / normal.sigma[:, -1] ** 2 for normal in normals])

    assert moves(4) == pytest.approx(LEAST_MOVE)
    assert moves(12) > 4 * LEAST_MOVE
