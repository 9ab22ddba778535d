import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.stats import spearmanr

from pipelines.handover import Drift
from pipelines.outliers.conformal import conformal_score
from pipelines.outliers.forest import anomaly, grow_forest, path_contributions, path_lengths
from pipelines.outliers.reasons import correction_shares
from pipelines.outliers.stage import unlike_peers
from pipelines.outliers.summaries import expected_given_others, learn_scopes, summarise
from pipelines.settings import Settings

GROUPS = [group for group in ("fuel", "air", "spark") for _ in range(8)]


def judged(made, families, **settings):
    drift, evidence = made(families)
    return unlike_peers(drift, evidence=evidence, settings=Settings(**settings))


@pytest.fixture(scope="module")
def one_channel_off(made, healthy_family):
    """Twelve of 150 vehicles have one correction 5 sigmas off in their last six weeks."""
    z = healthy_family(150, 40, 1)
    z[np.arange(12), -6:, np.arange(12) * 2] += 5.0
    return judged(made, {"alder": z})


def test_one_correction_far_off_is_found_and_named_first(one_channel_off):
    sick = [f"alder-{v:03d}" for v in range(12)]
    scores = one_channel_off.scores
    assert scores.filter(pl.col("vehicle_id").is_in(sick))["is_outlier"].mean() >= 0.9
    first = one_channel_off.reasons.group_by("vehicle_id", maintain_order=True).first()
    named = first.filter(pl.col("vehicle_id").is_in(sick)).sort("vehicle_id")["correction"].to_list()
    codes = [f"{GROUPS[2 * v]}_{2 * v % 8}" for v in range(12)]
    assert sum(a == b for a, b in zip(named, codes, strict=True)) >= 11


def test_the_stated_share_of_healthy_vehicles_is_called_outliers(made, healthy_family):
    past = healthy_family(400, 30, 2)
    scores = judged(made, {"alder": past}).score_rows(0, np.arange(400 * 30))
    assert np.isnan(scores.reshape(400, 30)[:, :3]).all()
    known = scores[np.isfinite(scores)]
    assert ((known >= 0) & (known < 1)).all()
    assert (known >= 0.95).mean() == pytest.approx(0.05, abs=0.012)


def test_the_stated_share_holds_with_the_weeks_of_alarms_that_ended_by_themselves(made, healthy_family):
    past = healthy_family(400, 30, 2)
    vehicle = np.repeat(np.arange(0, 400, 2), 3)
    week = np.random.default_rng(3).integers(4, 25, 200).repeat(3) + np.tile(np.arange(3), 200)
    past[vehicle, week, vehicle % 24] = 3.0
    drift, evidence = made({"alder": past})
    assert drift.families[0].alarm.sum() >= 600
    known = unlike_peers(drift, evidence=evidence, settings=Settings()).score_rows(0, np.arange(400 * 30))
    assert (known[np.isfinite(known)] >= 0.95).mean() == pytest.approx(0.05, abs=0.012)


def test_reasons_sum_to_one_a_vehicle(one_channel_off):
    shares = one_channel_off.reasons.group_by("vehicle_id").agg(pl.col("share").sum())
    assert shares.height == 150
    assert shares["share"].to_numpy() == pytest.approx(np.ones(150))
    assert one_channel_off.reasons["share"].is_between(0, 1).all()


def test_replacing_the_named_corrections_by_what_is_expected_brings_the_score_down_and_others_do_not(healthy_family):
    known = healthy_family(200, 20, 3)[:, ::4].reshape(-1, 24) / 0.6
    scopes = learn_scopes(known, GROUPS, vehicles=200)
    forest = grow_forest(summarise(known, scopes).figures, seed=1)
    odd = known[:60].copy()
    odd[np.arange(60), np.arange(60) % 24] += 8.0
    odd[np.arange(60), (np.arange(60) + 7) % 24] -= 7.0
    summary = summarise(odd, scopes)
    contributions = path_contributions(forest, summary.figures)
    order = np.argsort(-correction_shares(odd, contributions, summary, scopes), axis=1)

    def score(rows):
        return anomaly(forest, path_lengths(forest, summarise(rows, scopes).figures))

    def score_without(columns):
        marked = np.zeros(odd.shape, dtype=bool)
        np.put_along_axis(marked, columns, values=True, axis=1)
        return score(expected_given_others(odd, marked, scopes[0].precision))

    before, usual = score(odd), np.median(score(known))
    named, others = score_without(order[:, :2]), score_without(order[:, 10:12])
    assert np.mean((before - named) / (before - usual)) > 0.7
    assert np.mean((before - others) / (before - usual)) < 0.15


def test_small_families_are_pooled_and_scored_on_the_same_scale(made, healthy_family):
    small = healthy_family(4, 40, 5)
    small[0, -5:, 3] += 6.0
    scores = judged(made, {"alder": healthy_family(80, 40, 4), "rowan": small}).scores
    rowan = scores.filter(pl.col("vehicle_id").str.starts_with("rowan"))
    assert rowan["is_outlier"].to_list() == [True, False, False, False]


def test_corrections_that_were_never_read_do_no_harm(made, healthy_family):
    z = healthy_family(60, 40, 6)
    z[:20, :, 5] = np.nan
    z[3, -5:, 9] += 6.0
    result = judged(made, {"alder": z})
    assert result.scores["outlier_score"].is_not_nan().all()
    assert result.scores.filter(pl.col("is_outlier"))["vehicle_id"].to_list().count("alder-003") == 1
    assert not result.reasons.filter(pl.col("vehicle_id") == "alder-001")["correction"].is_in(["fuel_5"]).any()


def test_the_same_seed_gives_the_same_scores_and_a_week_later_they_are_close(made, healthy_family):
    z = healthy_family(120, 41, 7)
    z[:10, 20:, 2] += 4.0
    once, twice = (judged(made, {"alder": z[:, :40]}) for _ in range(2))
    assert_frame_equal(once.scores, twice.scores, check_exact=True)
    later = judged(made, {"alder": z})
    then = once.score_rows(0, np.arange(120 * 40)).reshape(120, 40)[:, 3:]
    again = later.score_rows(0, np.arange(120 * 41)).reshape(120, 41)[:, 3:40]
    assert spearmanr(then.ravel(), again.ravel()).statistic > 0.98


def test_a_vehicle_read_three_times_has_no_score_yet(made, healthy_family):
    scores = judged(made, {"alder": healthy_family(30, 40, 8), "rowan": healthy_family(2, 3, 9)}).scores
    assert scores.filter(pl.col("vehicle_id").str.starts_with("rowan"))["outlier_score"].is_null().all()
    assert not scores.filter(pl.col("vehicle_id").str.starts_with("rowan"))["is_outlier"].any()


def test_a_fleet_that_was_never_read_is_listed_without_scores(made, healthy_family):
    _, evidence = made({"alder": healthy_family(3, 5, 1)})
    result = unlike_peers(Drift(families=(), correction_state=pl.DataFrame()), evidence=evidence, settings=Settings())
    assert result.scores["vehicle_id"].to_list() == ["alder-000", "alder-001", "alder-002"]
    assert result.scores["outlier_score"].is_null().all()
    assert result.reasons.is_empty()


def test_a_conformal_score_is_the_share_of_reference_weeks_that_are_less_unlike():
    reference = np.arange(99.0)
    assert conformal_score(np.array([-1.0, 49.5, 98.0, 200.0]), reference) == pytest.approx([0.0, 0.5, 0.98, 0.99])


@pytest.mark.parametrize("weeks", [1, 5, 9, 13])
def test_a_fleet_of_one_vehicle_is_judged_as_far_as_its_readings_go(made, healthy_family, weeks):
    """None, one or a few reference weeks: scores stay in range, and nothing is called unlike peers it has not got."""
    found = judged(made, {"alder": healthy_family(1, weeks, 11)})
    assert found.scores["outlier_score"].drop_nulls().is_between(0, 1).all()
    assert not found.scores["is_outlier"].any()
    assert np.isfinite(found.score_rows(0, np.arange(weeks))).tolist() == [week >= 3 for week in range(weeks)]


def test_past_readings_are_judged_as_the_newest_ones_are(made, healthy_family):
    z = healthy_family(80, 40, 12)
    found = judged(made, {"alder": z, "rowan": healthy_family(4, 40, 13)})
    newest = np.concatenate([found.score_rows(n, np.arange(1, 1 + count) * 40 - 1) for n, count in ((0, 80), (1, 4))])
    assert found.scores["outlier_score"].to_numpy() == pytest.approx(newest)
