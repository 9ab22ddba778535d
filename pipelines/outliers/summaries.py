"""A vehicle's deviations summed up in 4 to 14 figures that mean the same in every family; no forest, no file.

A forest on all raw channels misses one channel that is far off. So each scope (all corrections, and each of the five
largest groups) is summed up by its largest deviation and by its Mahalanobis distance, both as normal scores, so that
families with other or missing corrections compare; below the median they are 0, because being close is no oddity.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import rankdata

from pipelines.handover import Bools, Float32s, Float64s, Int64s

LARGEST_GROUPS = 5
TYPICAL_ROWS = 20  # a channel's own spread counts as much as the family's typical one from this many rows on
MAX_SIGMAS = 30.0
ROWS_FOR_TAIL = 200
TAIL, TAIL_SIGMAS = 0.98, 2.326  # two in a hundred lie farther than so many sigmas


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
class Peers:
    """How the deviations of one family's healthy vehicles spread, and which go together.

    Attributes:
        centre: Median of z, [C].
        scale: Robust spread of z, [C], above 0.
        scopes: First all corrections, then the largest groups.
    """

    centre: Float64s
    scale: Float64s
    scopes: tuple[Scope, ...]

    @property
    def names(self) -> list[str]:
        """Name of each summary, in the order of the columns of `summarise`."""
        per_scope = [f"{measure} {scope.name}" for scope in self.scopes for measure in ("largest", "distance")]
        return [*per_scope, "second largest", "common shift"]


def learn_peers(z: Float64s, groups: list[str], *, vehicles: int, everyone: Float64s | None = None) -> Peers:
    """Spread and correlation of healthy deviations.

    Args:
        z: Reference vehicle-weeks, [n, C]; NaN: not read.
        groups: The catalogue's group of each correction, [C].
        vehicles: How many vehicles they come from; few vehicles shrink the correlation more.
        everyone: The same without leaving out who strays, [m, C]: a correction that is seldom but far off in many
            vehicles is judged by that tail, or it alone would name the outliers.

    Source: cellwise robust correlation by normal scores of ranks: Öllerer and Croux (2015), Robust high-dimensional
        precision matrix estimation.
    """
    rows = np.isfinite(z).sum(axis=0)
    centre, spread = _robust_location(z)
    known = spread[(spread > 0) & (rows > 1)]
    typical = float(np.median(known)) if known.size else 1.0
    scale = np.sqrt((rows * spread**2 + TYPICAL_ROWS * typical**2) / (rows + TYPICAL_ROWS))
    centre = centre * rows / (rows + TYPICAL_ROWS)
    if everyone is not None and len(everyone) >= ROWS_FOR_TAIL:
        away = np.abs(np.where(np.isfinite(everyone), everyone, centre) - centre)
        scale = np.maximum(scale, np.quantile(away, TAIL, axis=0) / TAIL_SIGMAS)
    correlation = _rank_correlation(z)
    shrink = z.shape[1] / (z.shape[1] + max(vehicles, 1))
    correlation = (1 - shrink) * correlation + shrink * np.eye(z.shape[1])
    scopes = tuple(
        Scope(name=name, columns=columns, precision=np.linalg.inv(correlation[np.ix_(columns, columns)]))
        for name, columns in _scopes(groups)
    )
    return Peers(centre=centre, scale=scale, scopes=scopes)


def standardise(z: Float32s, peers: Peers) -> Float64s:
    """Deviations in their peers' own spreads, [n, C], cut at 30; not read stays NaN."""
    scaled: Float64s = np.clip((z.astype(np.float64) - peers.centre) / peers.scale, -MAX_SIGMAS, MAX_SIGMAS)
    return scaled


def summarise(standard: Float64s, peers: Peers) -> Float64s:
    """The summaries of each row, [n, F], dimensionless, at least 0; a scope without a reading counts as expected.

    Args:
        standard: Standardised deviations, [n, C]; NaN: not read.
        peers: What the family's healthy vehicles do.
    """
    read = np.isfinite(standard)
    filled = np.where(read, standard, 0.0)
    columns = []
    for scope in peers.scopes:
        part, count = filled[:, scope.columns], read[:, scope.columns].sum(axis=1)
        columns.append(largest_score(np.abs(part).max(axis=1, initial=0.0), count))
        columns.append(distance_score(squared_distance(part, scope.precision), count))
    magnitudes = np.abs(filled)
    second = np.partition(magnitudes, -2, axis=1)[:, -2] if magnitudes.shape[1] > 1 else magnitudes[:, 0] * 0.0
    columns.append(second)
    whole = peers.scopes[0]
    weights = whole.precision.sum(axis=1)
    columns.append(np.abs(filled @ weights) / np.sqrt(weights.sum()))
    return np.maximum(np.column_stack(columns), 0.0)


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


def expected_given_others(standard: Float64s, replaced: Bools, peers: Peers) -> Float64s:
    """Rows with the marked corrections replaced by their mean given the others, [n, C].

    Args:
        standard: Standardised deviations, [n, C]; NaN: not read.
        replaced: Which to replace, [n, C].
        peers: What the family's healthy vehicles do.
    """
    precision = peers.scopes[0].precision
    result = np.where(np.isfinite(standard), standard, 0.0)
    for row in np.flatnonzero(replaced.any(axis=1)):
        hidden = np.flatnonzero(replaced[row])
        shown = np.flatnonzero(~replaced[row])
        pull = precision[np.ix_(hidden, shown)] @ result[row, shown]
        result[row, hidden] = -np.linalg.solve(precision[np.ix_(hidden, hidden)], pull)
    return np.where(np.isfinite(standard), result, np.nan)


def _robust_location(z: Float64s) -> tuple[Float64s, Float64s]:
    """Median and 1.4826 times the median absolute deviation of each column; 0 where nothing was read."""
    if not len(z):
        return np.zeros(z.shape[1]), np.zeros(z.shape[1])
    filled = np.where(np.isfinite(z).any(axis=0), z, 0.0)
    centre = np.nanmedian(filled, axis=0)
    return centre, 1.4826 * np.nanmedian(np.abs(filled - centre), axis=0)


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
