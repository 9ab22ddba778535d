"""The study's one table: lines of a measure, its interval and its target; and the intervals."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import gamma

HEADER = f"{'measure':30}{'of':66}{'n':>8}{'value':>9}{'95 % interval':>18}{'target':>14}  met"
SURE_COUNT = 30  # clusters' spread is not believed to be below chance on fewer entries


@dataclass(frozen=True, kw_only=True)
class Line:
    """One measured figure; `low` and `high` bound its 95 % interval (NaN: none was reckoned)."""

    measure: str
    of: str
    n: int
    value: float
    low: float = np.nan
    high: float = np.nan
    at_least: float = -np.inf
    at_most: float = np.inf

    @property
    def met(self) -> str:
        """`yes`: the whole interval keeps the target; `no`: the value does not; `unsure`: the interval reaches out."""
        if self.at_least == -np.inf and self.at_most == np.inf:
            return ""
        if not self.at_least <= self.value <= self.at_most:
            return "no"
        low, high = np.nan_to_num(self.low, nan=self.value), np.nan_to_num(self.high, nan=self.value)
        return "yes" if self.at_least <= low and high <= self.at_most else "unsure"

    def show(self) -> None:
        """Print it."""
        interval = "" if np.isnan(self.low) else f"{self.low:.3g} to {self.high:.3g}"
        bounds = [f">= {self.at_least:g}"] * (self.at_least > -np.inf) + [f"<= {self.at_most:g}"] * (
            self.at_most < np.inf
        )
        target = f"{self.at_least:g} to {self.at_most:g}" if len(bounds) == 2 else "".join(bounds)
        print(
            f"{self.measure:30}{self.of:66}{self.n:8d}{self.value:9.3g}{interval:>18}{target:>14}  {self.met}",
            flush=True,
        )


def rate_interval(counts: np.ndarray, exposures: np.ndarray) -> tuple[float, float]:
    """95 % interval of sum(counts) / sum(exposures) over clusters: exact Poisson, thinned by the clusters' dispersion.

    Args:
        counts: [clusters].
        exposures: [clusters].
    """
    total, whole, clusters = counts.sum(), exposures.sum(), len(counts)
    if whole <= 0:
        return np.nan, np.nan
    spread = ((counts - total / whole * exposures) ** 2).sum() * clusters / max(clusters - 1, 1) / max(total, 1)
    dispersion = max(spread, 1.0 if total < SURE_COUNT else 0.5)
    n = total / dispersion
    low = float(gamma.ppf(0.025, n)) if n > 0 else 0.0
    return low * dispersion / whole, float(gamma.ppf(0.975, n + 1)) * dispersion / whole


def share_interval(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    if n == 0:
        return np.nan, np.nan
    z2, p = 1.96**2, hits / n
    middle, half = (p + z2 / (2 * n)) / (1 + z2 / n), np.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return middle - 1.96 * half, middle + 1.96 * half


def ratio_interval(above: np.ndarray, below: np.ndarray) -> tuple[float, float, float]:
    """Ratio of two paired means, with its 95 % interval by the delta method."""
    ratio = above.mean() / below.mean()
    half = 1.96 * (above - ratio * below).std() / np.sqrt(len(above)) / below.mean()
    return ratio, ratio - half, ratio + half


def median_interval(values: np.ndarray) -> tuple[float, float, float]:
    """Median with its 95 % interval by order statistics."""
    n = len(values)
    if n == 0:
        return np.nan, np.nan, np.nan
    ordered, half = np.sort(values), 0.98 * np.sqrt(n)
    low, high = int(max(n / 2 - half, 0)), int(min(n / 2 + half, n - 1))
    return float(np.median(values)), float(ordered[low]), float(ordered[high])
