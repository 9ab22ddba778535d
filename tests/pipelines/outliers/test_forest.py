import numpy as np
import pytest
from sklearn.ensemble import IsolationForest

from pipelines.outliers.forest import (
    ROWS_A_TREE,
    TREES,
    anomaly,
    grow_forest,
    mean_search_length,
    path_contributions,
    path_lengths,
)


def test_the_mean_path_of_256_rows_is_the_published_one():
    assert mean_search_length(np.array([256]))[0] == pytest.approx(10.244771, abs=1e-6)
    assert list(mean_search_length(np.array([1, 2]))) == [0.0, 1.0]


def test_scores_equal_those_of_the_library_that_grew_the_trees():
    rng = np.random.default_rng(2)
    known, new = np.abs(rng.normal(size=(600, 4))), np.abs(rng.normal(size=(40, 4))) * 2
    forest = grow_forest(known, seed=7)
    library = IsolationForest(n_estimators=TREES, max_samples=ROWS_A_TREE, random_state=7).fit(known.astype(np.float32))
    mine = anomaly(forest, path_lengths(forest, new))
    assert mine == pytest.approx(-library.score_samples(new.astype(np.float32)), abs=1e-6)


def test_the_summary_that_is_far_off_takes_the_blame():
    rng = np.random.default_rng(4)
    forest = grow_forest(np.abs(rng.normal(size=(500, 5))), seed=1)
    odd = np.full((1, 5), 0.5)
    odd[0, 3] = 6.0
    assert path_contributions(forest, odd)[0].argmin() == 3


def test_the_same_seed_grows_the_same_forest():
    known = np.abs(np.random.default_rng(0).normal(size=(300, 3)))
    a, b = grow_forest(known, seed=9), grow_forest(known, seed=9)
    assert np.array_equal(a.threshold, b.threshold)


def test_what_the_summaries_add_to_the_path_sums_to_its_length():
    rng = np.random.default_rng(5)
    forest = grow_forest(np.abs(rng.normal(size=(300, 4))), seed=1)
    rows = np.abs(rng.normal(size=(50, 4))) * 2
    whole = forest.length[forest.roots].mean() + path_contributions(forest, rows).sum(axis=1)
    assert whole == pytest.approx(path_lengths(forest, rows))
