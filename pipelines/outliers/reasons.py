"""Carries what a forest says of a vehicle's summaries back to the corrections behind them."""

import numpy as np

from pipelines.handover import Float64s
from pipelines.outliers.summaries import Scope, Summary


def correction_shares(
    standard: Float64s, contributions: Float64s, summary: Summary, scopes: tuple[Scope, ...]
) -> Float64s:
    """Share of each correction in what sets a row apart, [n, C]; each row sums to 1 (0 where nothing was read).

    A summary's part of the shortened path goes to the correction that is largest in it, or, for a distance, to its
    corrections by their terms in the sum. A row that nothing sets apart is shared out by the squares of its departures.

    Args:
        standard: Departures as normal deviates, [n, C]; NaN: not read.
        contributions: Path lengthening by summary, [n, 5]; below zero: sets the row apart.
        summary: The rows' summaries, and which groups they come from.
        scopes: First all corrections, then groups.
    """
    filled = np.where(np.isfinite(standard), standard, 0.0)
    weight = np.maximum(-contributions, 0.0)
    shares = np.zeros(filled.shape)
    everywhere = np.zeros(len(filled), dtype=np.int64)
    for position, scope in enumerate(scopes):
        part = filled[:, scope.columns]
        rows = np.arange(len(filled))
        of_largest = weight[:, 0] * (everywhere == position) + weight[:, 2] * (summary.largest_in == position)
        shares[rows, scope.columns[np.abs(part).argmax(axis=1)]] += of_largest
        of_distance = weight[:, 1] * (everywhere == position) + weight[:, 3] * (summary.distance_in == position)
        terms = _to_one(np.maximum(part * (part @ scope.precision), 0.0))
        shares[:, scope.columns] += of_distance[:, None] * terms
    order = np.argsort(-np.abs(filled), axis=1, kind="stable")
    shares[np.arange(len(filled)), order[:, min(1, filled.shape[1] - 1)]] += weight[:, 4]
    nothing = shares.sum(axis=1) <= 0
    shares[nothing] = filled[nothing] ** 2
    return _to_one(np.where(np.isfinite(standard), shares, 0.0))


def _to_one(parts: Float64s) -> Float64s:
    total = parts.sum(axis=1, keepdims=True)
    shares: Float64s = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0)
    return shares
