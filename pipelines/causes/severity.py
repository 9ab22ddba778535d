"""How well a pattern fits a signature of unknown severity: arrays in, log Bayes factors out; knows no cause by name."""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Float64s, Int64s

NODES = 96  # of the integral over severity
LEAST, MOST = 0.01, 4.5  # severities integrated over, in scales of the half-normal; what lies below counts as none
AT_ONCE = 256  # vehicles held at once


@dataclass(frozen=True, kw_only=True)
class Nuisance:
    """How corrections move without the defect in question; each [C], in the unit of z.

    Attributes:
        sd: Healthy scatter.
        outlier_scale: Scale of the departure of a correction that is off for a reason of its own.
        outlier_share: How often one is, 0 to 1.
    """

    sd: Float64s
    outlier_scale: Float64s
    outlier_share: float


def log_bayes_factors(
    z: Float64s,
    *,
    signatures: Float64s,
    spreads: Float64s,
    absent: Float64s,
    nuisance: Nuisance,
    severity_scale: float,
) -> Float64s:
    """Log Bayes factor of each signature against 'no defect', for every vehicle.

    The model is z = s (a + d) + e. The severity s is half-normal; d is how one case differs from the next, so that
    certainty does not grow with severity; e is healthy noise or, now and then, a departure of that correction alone,
    so that one strange reading overrules no pattern. Corrections that a signature does not name say nothing about it:
    whatever they do is as likely with it as without.

    Args:
        z: Deviations, [V, C], in any unit; NaN: not judged, says nothing.
        signatures: Deviation at severity 1, [K, C], same unit.
        spreads: Standard deviation of that, [K, C], same unit; 0 with a signature of 0: not named by it.
        absent: Share of cases in which the signature does not reach a correction it names, [K, C].
        nuisance: The rest.
        severity_scale: Scale of the half-normal, dimensionless, above 0.

    Returns:
        [V, K].

    Source: Kass and Raftery (1995), JASA 90(430), 773-795; a contaminated normal after Tukey (1960), its tail a
    Cauchy's. The severity is integrated by the trapezoidal rule in its logarithm, to about 1e-3 of the factor.
    """
    severity, mass = _half_normal_nodes(severity_scale)
    hypothesis, column = np.nonzero((signatures != 0) | (spreads != 0))
    start = np.searchsorted(hypothesis, np.arange(len(signatures) + 1))
    clean = (1.0 - nuisance.outlier_share) * _noise_density(np.nan_to_num(z), nuisance.sd)
    outlier = nuisance.outlier_share * _outlier_density(np.nan_to_num(z), nuisance.outlier_scale)
    chunks = [
        _fit(
            z[first : first + AT_ONCE],
            clean[first : first + AT_ONCE],
            outlier[first : first + AT_ONCE],
            start,
            column,
            signatures[hypothesis, column],
            spreads[hypothesis, column] ** 2,
            absent[hypothesis, column],
            nuisance.sd**2,
            1.0 - nuisance.outlier_share,
            severity,
            mass,
        )
        for first in range(0, len(z), AT_ONCE)
    ]
    return np.concatenate(chunks) if chunks else np.zeros((0, len(signatures)))


def _half_normal_nodes(scale: float) -> tuple[Float64s, Float64s]:
    """Severities, 0 and then evenly spaced in their logarithm, and the prior mass that each stands for."""
    log_severity = np.linspace(np.log(LEAST), np.log(MOST), NODES)
    unit = np.exp(log_severity)
    mass = np.sqrt(2.0 / np.pi) * np.exp(-0.5 * unit**2) * unit * (log_severity[1] - log_severity[0])
    mass[[0, -1]] /= 2
    return np.append(0.0, scale * unit), np.append(1.0 - mass.sum(), mass)


def _noise_density(z: Float64s, sd: Float64s) -> Float64s:
    """Normal density without its factor of 1/sqrt(2 pi), which cancels in every ratio."""
    density: Float64s = np.exp(-0.5 * (z / sd) ** 2) / sd
    return density


def _outlier_density(z: Float64s, scale: Float64s) -> Float64s:
    """Cauchy density, in units of 1/sqrt(2 pi) as the normal ones: even a nonsense reading keeps some."""
    density: Float64s = np.sqrt(2.0 / np.pi) / (scale * (1.0 + (z / scale) ** 2))
    return density


@numba.njit(cache=True, nogil=True)
def _fit(  # noqa: PLR0917 (compiled functions take their arguments by position)
    z: Float64s,
    clean: Float64s,
    outlier: Float64s,
    start: Int64s,
    column: Int64s,
    signature: Float64s,
    spread2: Float64s,
    absent: Float64s,
    noise2: Float64s,
    usual_share: float,
    severity: Float64s,
    mass: Float64s,
) -> Float64s:
    """The log factors of some vehicles; named corrections of hypothesis k are start[k]:start[k + 1]."""
    vehicles, nodes = len(z), len(severity)
    result = np.empty((vehicles, len(start) - 1))
    log_ratio = np.empty((nodes, vehicles))
    for k in range(len(start) - 1):
        log_ratio[:] = 0.0
        for i in range(start[k], start[k + 1]):
            c = column[i]
            for s in range(nodes):
                variance = noise2[c] + severity[s] ** 2 * spread2[i]
                scale = usual_share * (1.0 - absent[i]) / np.sqrt(variance)
                mean = severity[s] * signature[i]
                for v in range(vehicles):
                    if not np.isnan(z[v, c]):
                        shown = scale * np.exp(-0.5 * (z[v, c] - mean) ** 2 / variance)
                        log_ratio[s, v] += np.log(shown + absent[i] * clean[v, c] + outlier[v, c])
        for v in range(vehicles):
            peak = log_ratio[:, v].max()
            summed = np.sum(mass * np.exp(log_ratio[:, v] - peak))
            result[v, k] = np.log(summed) + peak - log_ratio[0, v]  # severity[0] is 0: health
    return result
