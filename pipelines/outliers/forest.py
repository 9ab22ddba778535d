"""Isolation forest on summaries: how soon random splits set a row apart, and which summaries did it."""

from dataclasses import dataclass

import numba
import numpy as np
from sklearn.ensemble import IsolationForest

from pipelines.handover import Float32s, Float64s, Int32s

TREES = 500
ROWS_A_TREE = 512


@dataclass(frozen=True, kw_only=True)
class Forest:
    """All trees' nodes laid end to end; a leaf has feature -1.

    Attributes:
        roots: First node of each tree, [T].
        feature: Summary split on, [N].
        threshold: Rows at or below go left, [N].
        left: Node on the left; the right one is given by `right`, [N].
        right: Node on the right, [N].
        length: Mean path length of the training rows that pass a node, [N].
        expected_length: c(rows a tree), the mean path length in a random search tree.
    """

    roots: Int32s
    feature: Int32s
    threshold: Float32s
    left: Int32s
    right: Int32s
    length: Float64s
    expected_length: float


def mean_search_length(rows: Float64s) -> Float64s:
    """c(n): mean length of an unsuccessful search in a binary search tree of n rows; c(256) = 10.2448.

    Source: Liu, Ting and Zhou (2008), Isolation forest, equation 1.
    """
    n = np.asarray(rows, dtype=np.float64)
    safe = np.maximum(n, 2.0)
    length = 2 * (np.log(np.maximum(safe - 1, 1.0)) + np.euler_gamma) - 2 * (safe - 1) / safe
    result: Float64s = np.where(n > 2, length, np.where(n == 2, 1.0, 0.0))
    return result


def grow_forest(summaries: Float64s, *, seed: int) -> Forest:
    """Grows 500 trees on the reference vehicle-weeks, [n, F]."""
    rows = min(ROWS_A_TREE, len(summaries))
    model = IsolationForest(n_estimators=TREES, max_samples=rows, random_state=seed).fit(summaries.astype(np.float32))
    trees = [estimator.tree_ for estimator in model.estimators_]
    starts = np.concatenate([[0], np.cumsum([tree.node_count for tree in trees])])
    inner = [tree.children_left >= 0 for tree in trees]
    return Forest(
        roots=starts[:-1].astype(np.int32),
        feature=np.concatenate([np.where(i, t.feature, -1) for t, i in zip(trees, inner, strict=True)]).astype(
            np.int32
        ),
        threshold=np.concatenate([t.threshold for t in trees]).astype(np.float32),
        left=np.concatenate([t.children_left + s for t, s in zip(trees, starts, strict=False)]).astype(np.int32),
        right=np.concatenate([t.children_right + s for t, s in zip(trees, starts, strict=False)]).astype(np.int32),
        length=np.concatenate([_node_lengths(tree) for tree in trees]),
        expected_length=float(mean_search_length(np.array([rows]))[0]),
    )


def path_contributions(forest: Forest, summaries: Float64s) -> Float64s:
    """How much each summary lengthens a row's mean path, [n, F]; below zero: it sets the row apart.

    Exactly additive: the root's mean length plus the row's sum is the row's mean path length.
    """
    return _walk(
        np.ascontiguousarray(summaries, dtype=np.float32),
        forest.roots,
        forest.feature,
        forest.threshold,
        forest.left,
        forest.right,
        forest.length,
    )


def path_lengths(forest: Forest, summaries: Float64s) -> Float64s:
    """Mean path length of each row over the trees, [n]."""
    return _lengths(
        np.ascontiguousarray(summaries, dtype=np.float32),
        forest.roots,
        forest.feature,
        forest.threshold,
        forest.left,
        forest.right,
        forest.length,
    )


def anomaly(forest: Forest, lengths: Float64s) -> Float64s:
    """Anomaly score of Liu, Ting and Zhou (2008), equation 2, [n]: 2 ** -(mean path length / c), in (0, 1)."""
    score: Float64s = np.exp2(-lengths / forest.expected_length)
    return score


def _node_lengths(tree: object) -> Float64s:
    """Mean path length below each node, weighted by the training rows that went each way."""
    left, right = tree.children_left, tree.children_right  # type: ignore[attr-defined]
    rows = tree.n_node_samples.astype(np.float64)  # type: ignore[attr-defined]
    depth = np.zeros(len(left))
    for node in range(len(left)):  # children come after their parent
        if left[node] >= 0:
            depth[left[node]] = depth[right[node]] = depth[node] + 1
    length = depth + mean_search_length(rows)
    for node in range(len(left) - 1, -1, -1):
        if left[node] >= 0:
            a, b = left[node], right[node]
            length[node] = (rows[a] * length[a] + rows[b] * length[b]) / (rows[a] + rows[b])
    return length


@numba.njit(cache=True, nogil=True)
def _walk(  # noqa: PLR0917 - compiled: arrays only
    summaries: Float32s,
    roots: Int32s,
    feature: Int32s,
    threshold: Float32s,
    left: Int32s,
    right: Int32s,
    length: Float64s,
) -> Float64s:  # pragma: no cover - compiled
    contributions = np.zeros(summaries.shape)
    for root in roots:  # tree by tree: its nodes stay in the cache
        for row in range(summaries.shape[0]):
            node = root
            while feature[node] >= 0:
                split = feature[node]
                child = left[node] if summaries[row, split] <= threshold[node] else right[node]
                contributions[row, split] += length[child] - length[node]
                node = child
    return contributions / len(roots)


@numba.njit(cache=True, nogil=True)
def _lengths(  # noqa: PLR0917 - compiled: arrays only
    summaries: Float32s,
    roots: Int32s,
    feature: Int32s,
    threshold: Float32s,
    left: Int32s,
    right: Int32s,
    length: Float64s,
) -> Float64s:  # pragma: no cover - compiled
    total = np.zeros(len(summaries))
    for root in roots:
        for row in range(len(summaries)):
            node = root
            while feature[node] >= 0:
                node = left[node] if summaries[row, feature[node]] <= threshold[node] else right[node]
            total[row] += length[node]
    return total / len(roots)
