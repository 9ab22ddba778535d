"""How well a pattern fits a signature of unknown severity: arrays in, log likelihoods out; knows no cause by name."""

from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s

NODES = 40  # of the integral over severity
LEAST, MOST = 0.02, 4.0  # severities integrated over, in scales of the half-normal; what lies below counts as health
# What is off for a reason of its own: shares of a vehicle's corrections, and how likely each is beside a problem that
# is known. A second problem is rare, but if there is one it may move several corrections (judgement).
OWN_REASONS = ((2e-4, 0.88), (0.02, 0.06), (0.08, 0.04), (0.25, 0.02))
# A correction that moved before it could be told to move was taken into the vehicle's own level, wholly or in part:
# how often, while what is expected of it is small beside its scatter, and the scatters by which that fades. Judgement.
TAKEN_IN, TAKEN_IN_SCATTERS = 0.5, 5.0
FARTHEST = 36.0  # scatters at which the density of health ends, for the sake of its logarithm
MULTIPLIED = 20  # ratios that are multiplied before a logarithm is taken
OWN_SCATTERS, OWN_WAY = 6.0, 0.1  # scale of such a departure: scatters, share of the shorter way (judgement)


@dataclass(frozen=True, kw_only=True)
class Signatures:
    """Shares of the way to the limit at severity 1, [K, C] each.

    Attributes:
        share: Signed share; 0 with a spread of 0: not named.
        spread: Standard deviation of that share.
        absent: Share of cases in which a correction that is named does not move.
    """

    share: Float64s
    spread: Float64s
    absent: Float64s


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """What departs, in healthy scatters of each correction of each vehicle, [V, C] each.

    Attributes:
        scatters: Departures; NaN: not judged, says nothing.
        up: From the centre to the upper limit.
        down: From the centre to the lower limit.
    """

    scatters: Float64s
    up: Float64s
    down: Float64s


def of_vehicles(pattern: Pattern, rows: Int64s) -> Pattern:
    """Some of the vehicles."""
    return Pattern(scatters=pattern.scatters[rows], up=pattern.up[rows], down=pattern.down[rows])


def log_likelihoods(
    pattern: Pattern,
    signatures: Signatures,
    *,
    severity_scale: float,
    wanted: Bools | None = None,
    taken_in: float = TAKEN_IN,
    own_reasons: tuple[tuple[float, float], ...] = OWN_REASONS,
) -> Float64s:
    """Log likelihood of each vehicle's departures under each signature, less that of health without a second problem.

    The model is y = s (a + d) + e. The severity s is half-normal; d is how one case differs from the next, so that
    certainty does not grow with severity; e is healthy noise. A correction may be taken into the vehicle's own level
    before it is told to move, so that a small companion that is not seen counts little. Whatever is off for a reason
    of its own (one reading, or a second problem that moves several) is a Cauchy, and how many are is integrated out.
    Corrections that a signature does not name are healthy or off for a reason of their own.

    Args:
        pattern: V vehicles.
        signatures: K of them.
        severity_scale: Scale of the half-normal, dimensionless, above 0.
        wanted: [V, K] which to compute; the others are impossible. None: all.
        taken_in: How often a companion that is small beside its scatter was taken into the vehicle's own level.
        own_reasons: Shares of the corrections that are off for a reason of their own, and how likely each share is.

    Returns:
        [V, K].

    Source: Kass and Raftery (1995), JASA 90(430), 773-795; a contaminated normal after Tukey (1960), its tail a
    Cauchy's. The severity is integrated by the trapezoidal rule in its logarithm.
    """
    alone = np.zeros(signatures.share.shape, dtype=np.bool_)
    whole, _ = whole_and_alone(
        pattern, signatures, alone, severity_scale=severity_scale, wanted=wanted, taken_in=taken_in,
        own_reasons=own_reasons,
    )  # fmt: skip
    return whole


def whole_and_alone(
    pattern: Pattern,
    signatures: Signatures,
    alone: Bools,
    *,
    severity_scale: float,
    wanted: Bools | None = None,
    taken_in: float = TAKEN_IN,
    own_reasons: tuple[tuple[float, float], ...] = OWN_REASONS,
) -> tuple[Float64s, Float64s]:
    """Two of `log_likelihoods` at once: of the signatures, and of those of their corrections alone that are named.

    Args:
        pattern: V vehicles.
        signatures: K of them.
        alone: [K, C] corrections that the second keeps of each signature.
        severity_scale: As in `log_likelihoods`, and so are the others.
        wanted: [V, K].
        taken_in: Share.
        own_reasons: Shares and weights.

    Returns:
        [V, K], [V, K].
    """
    severity, mass = half_normal_nodes(severity_scale)
    hypothesis, column = np.nonzero((signatures.share != 0) | (signatures.spread != 0))
    start = np.searchsorted(hypothesis, np.arange(len(signatures.share) + 1))
    clean, outlier = _background(pattern)
    both: Float64s = _fit(
        pattern.scatters,
        pattern.up,
        pattern.down,
        clean,
        outlier,
        start,
        column,
        signatures.share[hypothesis, column],
        signatures.spread[hypothesis, column],
        signatures.absent[hypothesis, column],
        alone[hypothesis, column],
        severity,
        mass,
        np.ones((len(clean), len(signatures.share)), dtype=np.bool_) if wanted is None else wanted,
        taken_in,
        np.array(own_reasons),
    )
    return both[0], both[1]


def log_unknown(pattern: Pattern, reasons: tuple[tuple[float, float], ...] = OWN_REASONS[1:]) -> Float64s:
    """[V] log likelihood of a problem that no signature names, less that of health.

    Args:
        pattern: V vehicles.
        reasons: Shares of the corrections that are off, and how likely each share is.
    """
    clean, outlier = _background(pattern)
    rates, weights = np.array(reasons).T
    logs = np.log((1.0 - rates) + rates * (outlier / clean)[..., None]).sum(axis=1)
    peak = logs.max(axis=1)
    told: Float64s = peak + np.log(np.exp(logs - peak[:, None]) @ (weights / weights.sum()))
    return told


def _background(pattern: Pattern) -> tuple[Float64s, Float64s]:
    """[V, C] densities of health and of what is off for a reason of its own, times sqrt(2 pi); 1 where not judged."""
    known = ~np.isnan(pattern.scatters)
    x = np.where(known, pattern.scatters, 0.0)
    scale = np.hypot(OWN_SCATTERS, OWN_WAY * np.minimum(pattern.up, pattern.down))
    outlier = np.sqrt(2.0 / np.pi) / (scale * (1.0 + (x / scale) ** 2))
    return np.where(known, np.exp(-0.5 * np.minimum(np.abs(x), FARTHEST) ** 2), 1.0), np.where(known, outlier, 1.0)


@lru_cache(maxsize=8)
def half_normal_nodes(scale: float) -> tuple[Float64s, Float64s]:
    """Severities, 0 and then even in their logarithm, and the prior mass that each stands for; to be read only."""
    log_severity = np.linspace(np.log(LEAST), np.log(MOST), NODES)
    unit = np.exp(log_severity)
    mass = np.sqrt(2.0 / np.pi) * np.exp(-0.5 * unit**2) * unit * (log_severity[1] - log_severity[0])
    mass[[0, -1]] /= 2
    return np.append(0.0, scale * unit), np.append(max(1.0 - mass.sum(), 0.0), mass)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def density_of(x, clean, mean, spread, absent, taken_in):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Density of a named correction's departure at one severity, times sqrt(2 pi); lengths in healthy scatters.

    Args:
        x: Its departure.
        clean: Density of health.
        mean: What the signature expects.
        spread: Sd of that from case to case.
        absent: Share of cases that do not show it.
        taken_in: Share in which what is small beside its scatter was taken into the vehicle's own level.
    """
    unseen = taken_in * np.exp(-0.5 * (mean / TAKEN_IN_SCATTERS) ** 2)
    variance = 1.0 + spread**2
    shown = np.exp(-0.5 * (x - mean) ** 2 / variance) / np.sqrt(variance)
    partly = variance + mean**2 / 12.0  # evenly between nothing and what is expected
    between = np.exp(-0.5 * (x - mean / 2) ** 2 / partly) / np.sqrt(partly)
    seen = (1.0 - unseen) * shown + unseen * 0.5 * (between + clean)
    return (1.0 - absent) * seen + absent * clean


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _fit(  # noqa: PLR0917 (compiled functions take their arguments by position)
    scatters: Float64s,
    up: Float64s,
    down: Float64s,
    clean: Float64s,
    outlier: Float64s,
    start: Int64s,
    column: Int64s,
    share: Float64s,
    spread: Float64s,
    absent: Float64s,
    alone: Bools,
    severity: Float64s,
    mass: Float64s,
    wanted: Bools,
    taken_in: float,
    reasons: Float64s,
) -> Float64s:
    """[2, V, K]; named corrections of signature k are start[k]:start[k + 1].

    A ratio is within a factor of 1e8 of 1, by the Cauchy in both of its parts: so a few are multiplied before the log.
    """
    result = np.full((2, len(scatters), len(start) - 1), -np.inf)
    product = np.empty((2, len(reasons), len(severity)))
    log_ratio = np.empty((2, len(reasons), len(severity)))
    shown = np.empty(len(severity))
    for v in range(len(scatters)):
        base, healthy = _healthy(clean[v], outlier[v], reasons)
        for k in range(len(start) - 1):
            if not wanted[v, k]:
                continue
            _begin(log_ratio, product, base)
            multiplied = 0
            for i in range(start[k], start[k + 1]):
                c = column[i]
                if np.isnan(scatters[v, c]):
                    continue
                way = up[v, c] if share[i] > 0 else down[v, c]
                if share[i] == 0:
                    way = min(up[v, c], down[v, c])
                one = (scatters[v, c], clean[v, c], way * share[i], way * spread[i], absent[i], taken_in)
                _shown(shown, one, severity)
                _multiply_in(product, shown, outlier[v, c], healthy[:, c], alone[i], reasons)
                multiplied += 1
                if multiplied % MULTIPLIED == 0:
                    _taken_up(log_ratio, product)
            _taken_up(log_ratio, product)
            result[0, v, k] = _summed(log_ratio[0], mass)
            result[1, v, k] = _summed(log_ratio[1], mass)
    return result


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _begin(log_ratio, product, base):  # type: ignore[no-untyped-def]
    """No correction is in yet."""
    for m in range(2):
        for r in range(len(base)):
            for s in range(log_ratio.shape[2]):
                log_ratio[m, r, s], product[m, r, s] = base[r], 1.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _shown(shown, one, severity):  # type: ignore[no-untyped-def]
    """Density of one correction at each severity (see `density_of`; mean and spread at severity 1), in place."""
    x, clean, mean, spread, absent, taken_in = one
    for s in range(len(severity)):
        shown[s] = density_of(x, clean, severity[s] * mean, severity[s] * spread, absent, taken_in)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _multiply_in(product, shown, outlier, healthy, alone, reasons):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """One correction goes into the products, in place: its density as shown over that of health."""
    for r in range(len(reasons)):
        of_cause, of_own = (1.0 - reasons[r, 0]) / healthy[r], reasons[r, 0] * outlier / healthy[r]
        for s in range(len(shown)):
            product[0, r, s] *= of_cause * shown[s] + of_own
        if alone:
            for s in range(len(shown)):
                product[1, r, s] *= of_cause * shown[s] + of_own


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _taken_up(log_ratio, product):  # type: ignore[no-untyped-def]
    """The logs of the products go to the sums, and the products begin anew; in place."""
    for m in range(2):
        for r in range(log_ratio.shape[1]):
            for s in range(log_ratio.shape[2]):
                log_ratio[m, r, s] += np.log(product[m, r, s])
                product[m, r, s] = 1.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _healthy(clean, outlier, reasons):  # type: ignore[no-untyped-def]
    """For each share of what is off for a reason of its own: log odds of all corrections, and [rates, C] densities."""
    base, healthy = np.log(reasons[:, 1]), np.empty((len(reasons), len(clean)))
    for r in range(len(reasons)):
        for c in range(len(clean)):
            healthy[r, c] = (1.0 - reasons[r, 0]) * clean[c] + reasons[r, 0] * outlier[c]
            base[r] += np.log(healthy[r, c] / clean[c])
    return base, healthy


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _summed(log_ratio, mass):  # type: ignore[no-untyped-def]
    """Log of the sum over rates and severities, [rates, nodes] weighed by [nodes]."""
    peak, total = log_ratio.max(), 0.0
    for r in range(log_ratio.shape[0]):
        for s in range(log_ratio.shape[1]):
            total += mass[s] * np.exp(log_ratio[r, s] - peak)
    return np.log(total) + peak
