"""Carries what a forest says of a vehicle's summaries back to the corrections behind them."""

import numpy as np

from pipelines.handover import Float64s
from pipelines.outliers.summaries import Peers


def correction_shares(standard: Float64s, contributions: Float64s, peers: Peers) -> Float64s:
    """Share of each correction in what sets a row apart, [n, C]; each row sums to 1 (0 where nothing was read).

    A summary's part of the shortened path goes to the correction that is largest in it, or, for a distance and the
    common shift, to its corrections by their terms in the sum. A row that nothing sets apart is shared out by the
    squares of its deviations.

    Args:
        standard: Standardised deviations, [n, C]; NaN: not read.
        contributions: Path lengthening by summary, [n, F]; below zero: sets the row apart.
        peers: What the family's healthy vehicles do.
    """
    filled = np.where(np.isfinite(standard), standard, 0.0)
    weight = np.maximum(-contributions, 0.0)
    rows = np.arange(len(filled))
    shares = np.zeros(filled.shape)
    for position, scope in enumerate(peers.scopes):
        part = filled[:, scope.columns]
        largest = scope.columns[np.abs(part).argmax(axis=1)]
        shares[rows, largest] += weight[:, 2 * position]
        terms = _to_one(np.maximum(part * (part @ scope.precision), 0.0))
        shares[:, scope.columns] += weight[:, [2 * position + 1]] * terms
    order = np.argsort(-np.abs(filled), axis=1, kind="stable")
    shares[rows, order[:, min(1, filled.shape[1] - 1)]] += weight[:, -2]
    pull = filled * peers.scopes[0].precision.sum(axis=1)
    shares += weight[:, [-1]] * _to_one(np.maximum(pull * np.sign(pull.sum(axis=1, keepdims=True)), 0.0))
    nothing = shares.sum(axis=1) <= 0
    shares[nothing] = filled[nothing] ** 2
    return _to_one(np.where(np.isfinite(standard), shares, 0.0))


def _to_one(parts: Float64s) -> Float64s:
    total = parts.sum(axis=1, keepdims=True)
    shares: Float64s = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0)
    return shares
