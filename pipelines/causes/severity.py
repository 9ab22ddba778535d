"""How well a pattern fits a signature of unknown severity: arrays in, log Bayes factors out; knows no cause by name."""

import numpy as np
from scipy.linalg import eigh, solve_triangular

from pipelines.handover import Float64s

NODES = 96  # of the integral over severity; its error is below 1e-4 of the factor


def log_bayes_factors(
    z: Float64s, *, signatures: Float64s, spreads: Float64s, noise: Float64s, severity_scale: float
) -> Float64s:
    """Log Bayes factor of each signature against 'no defect', for every vehicle.

    The model is z = s (a + d) + e with e ~ N(0, noise), d ~ N(0, diag(spread²)) (no two cases of a cause look alike,
    so certainty does not grow with severity) and s half-normal. For each signature the generalised eigenvectors of
    its signature error and the noise make both diagonal, so that every severity costs one product of matrices.

    Args:
        z: Deviations, [V, C], in any unit; no NaN.
        signatures: Deviation at severity 1, [K, C], same unit.
        spreads: Standard deviation of that, [K, C], same unit, 0 or more.
        noise: Covariance of z without a defect, [C, C], positive definite.
        severity_scale: Scale of the half-normal, dimensionless, above 0.

    Returns:
        [V, K].

    Source: Kass and Raftery (1995), JASA 90(430), 773-795; severity integrated by the trapezoidal rule in log s.
    """
    severity, mass = _half_normal_nodes(severity_scale)
    root = np.linalg.cholesky(noise)
    white = solve_triangular(root, z.T, lower=True).T
    white_signatures = solve_triangular(root, signatures.T, lower=True).T
    result = np.empty((len(z), len(signatures)))
    for k, (signature, spread) in enumerate(zip(white_signatures, spreads, strict=True)):
        named = np.flatnonzero(spread)
        error = solve_triangular(root, np.diag(spread)[:, named], lower=True)
        variance, axes = eigh(error @ error.T)
        y, b = white @ axes, signature @ axes
        widening = severity[:, None] ** 2 * np.maximum(variance, 0.0)  # [S, C]
        weight = 1.0 / (1.0 + widening)
        log_ratio = 0.5 * (y**2 @ (1.0 - weight).T) + severity * ((y * b) @ weight.T)
        log_ratio -= 0.5 * (severity**2 * (weight @ b**2) + np.log1p(widening).sum(axis=1))
        peak = np.maximum(log_ratio.max(axis=1), 0.0)
        inside = np.exp(log_ratio - peak[:, None]) @ mass
        result[:, k] = peak + np.log(inside + (1.0 - mass.sum()) * np.exp(-peak))
    return result


def _half_normal_nodes(scale: float) -> tuple[Float64s, Float64s]:
    """Severities evenly spaced in their logarithm, and the prior mass each stands for; the rest lies near zero."""
    log_severity = np.linspace(np.log(1e-3), np.log(6.0), NODES)
    unit = np.exp(log_severity)
    density = np.sqrt(2.0 / np.pi) * np.exp(-0.5 * unit**2)
    return scale * unit, density * unit * (log_severity[1] - log_severity[0])
