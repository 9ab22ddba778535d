"""A vehicle's departures summed up in five figures that mean the same in every family; no forest, no file.

A forest on all raw channels misses one channel that is far off, and one on a figure for each group drowns the group
that is off in those that are not. So each scope (all corrections, and each of the largest groups) is summed up by its
largest departure and by its Mahalanobis distance, both as normal scores, so that families with other or missing
corrections compare; the forest sees those of all corrections, those of the group that is farthest off, and the second
largest departure. Below the median they are 0, because being close is no oddity.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import rankdata

from pipelines.handover import Bools, Float64s, Int64s

LARGEST_GROUPS = 5
MAX_SIGMAS = 30.0


@dataclass(frozen=True, kw_only=True)
class Scope:
    """Some corrections looked at together.

    Attributes:
        name: `all` or the catalogue's group.
        columns: Their indices in the panel, [m].
        precision: Inverse of their shrunken correlation, [m, m].
    """

    name: str
    columns: Int64s
    precision: Float64s


@dataclass(frozen=True, kw_only=True)
class Summary:
    """What the forest sees of n rows, and where it comes from.

    Attributes:
        figures: Largest, distance, largest of the farthest group, distance of the farthest group, second largest;
            dimensionless, at least 0, [n, 5].
        largest_in: Index of the scope whose largest departure scores highest among the groups, [n].
        distance_in: Index of the scope whose distance scores highest among the groups, [n].
    """

    figures: Float64s
    largest_in: Int64s
    distance_in: Int64s


def learn_scopes(standard: Float64s, groups: list[str], *, vehicles: int) -> tuple[Scope, ...]:
    """Which corrections go together in health: first all corrections, then the largest groups.

    Args:
        standard: Departures of reference vehicle-weeks, [n, C]; NaN: not read.
        groups: The catalogue's group of each correction, [C].
        vehicles: How many vehicles they come from; few vehicles shrink the correlation more.

    Source: cellwise robust correlation by normal scores of ranks: Öllerer and Croux (2015), Robust high-dimensional
        precision matrix estimation.
    """
    correlation = _rank_correlation(standard)
    shrink = standard.shape[1] / (standard.shape[1] + max(vehicles, 1))
    correlation = (1 - shrink) * correlation + shrink * np.eye(standard.shape[1])
    return tuple(
        Scope(name=name, columns=columns, precision=np.linalg.inv(correlation[np.ix_(columns, columns)]))
        for name, columns in _scopes(groups)
    )


def summarise(standard: Float64s, scopes: tuple[Scope, ...]) -> Summary:
    """Five figures of each row; a scope without a reading counts as expected.

    Args:
        standard: Departures as normal deviates, [n, C]; NaN: not read. Cut at 30.
        scopes: First all corrections, then groups.
    """
    read = np.isfinite(standard)
    filled = np.clip(np.where(read, standard, 0.0), -MAX_SIGMAS, MAX_SIGMAS)
    size = np.abs(filled)
    counts = [read[:, scope.columns].sum(axis=1) for scope in scopes]
    largest = np.stack(
        [largest_score(size[:, s.columns].max(axis=1, initial=0.0), n) for s, n in zip(scopes, counts, strict=True)]
    )
    distance = np.stack(
        [
            distance_score(squared_distance(filled[:, s.columns], s.precision), n)
            for s, n in zip(scopes, counts, strict=True)
        ]
    )
    first = min(1, len(scopes) - 1)  # with one group alone, it is all
    second = np.partition(size, -2, axis=1)[:, -2] if size.shape[1] > 1 else np.zeros(len(size))
    figures = [largest[0], distance[0], largest[first:].max(axis=0), distance[first:].max(axis=0), second]
    return Summary(
        figures=np.maximum(np.column_stack(figures), 0.0),
        largest_in=first + largest[first:].argmax(axis=0),
        distance_in=first + distance[first:].argmax(axis=0),
    )


def squared_distance(part: Float64s, precision: Float64s) -> Float64s:
    """Squared Mahalanobis distance of each row, [n]."""
    squared: Float64s = np.maximum(np.einsum("ij,ij->i", part @ precision, part), 0.0)
    return squared


def largest_score(largest: Float64s, count: Int64s) -> Float64s:
    """Normal score of the largest of `count` independent deviations (Šidák); none read or none off: -9."""
    within_less_one = np.maximum(-2 * ndtr(-np.minimum(largest, MAX_SIGMAS)), np.nextafter(-1.0, 0.0))
    beyond = np.where(count > 0, -np.expm1(count * np.log1p(within_less_one)), 1.0)
    score: Float64s = np.maximum(-ndtri(np.clip(beyond, 1e-300, 1.0)), -9.0)
    return score


def distance_score(squared: Float64s, count: Int64s) -> Float64s:
    """Normal score of a squared distance over `count` corrections (Wilson and Hilferty, 1931)."""
    m = np.maximum(count, 1)
    score: Float64s = (np.cbrt(squared / m) - (1 - 2 / (9 * m))) / np.sqrt(2 / (9 * m))
    return score


def expected_given_others(standard: Float64s, replaced: Bools, precision: Float64s) -> Float64s:
    """Rows with the marked corrections replaced by their mean given the others, [n, C].

    Args:
        standard: Departures, [n, C]; NaN: not read.
        replaced: Which to replace, [n, C].
        precision: Inverse correlation of all corrections, [C, C].
    """
    result = np.where(np.isfinite(standard), standard, 0.0)
    for row in np.flatnonzero(replaced.any(axis=1)):
        hidden = np.flatnonzero(replaced[row])
        shown = np.flatnonzero(~replaced[row])
        pull = precision[np.ix_(hidden, shown)] @ result[row, shown]
        result[row, hidden] = -np.linalg.solve(precision[np.ix_(hidden, hidden)], pull)
    return np.where(np.isfinite(standard), result, np.nan)


def _rank_correlation(z: Float64s) -> Float64s:
    if not len(z):
        return np.eye(z.shape[1])
    read = np.isfinite(z)
    ranks = rankdata(z, axis=0, nan_policy="omit")
    scores = np.where(read, ndtri(np.clip(ranks / (read.sum(axis=0) + 1), 1e-6, 1 - 1e-6)), 0.0)
    norms = np.sqrt((scores**2).sum(axis=0))
    correlation = (scores.T @ scores) / np.where(np.outer(norms, norms) > 0, np.outer(norms, norms), 1.0)
    np.fill_diagonal(correlation, 1.0)
    return correlation


def _scopes(groups: list[str]) -> list[tuple[str, Int64s]]:
    names, counts = np.unique(np.array(groups), return_counts=True)
    order = np.lexsort((names, -counts))[:LARGEST_GROUPS]
    scopes = [("all", np.arange(len(groups)))]
    if len(names) > 1:
        scopes += [(str(names[i]), np.flatnonzero(np.array(groups) == names[i])) for i in order]
    return scopes
