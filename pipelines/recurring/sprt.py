"""The sequential test of counts against what was expected, for what is still rolling out; arrays of figures alone.

Source: Kulldorff, Davis, Kolczak, Lewis, Lieu and Platt (2011), Sequential Analysis 30, 58-78.
"""

from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, lambertw, xlogy

from pipelines.recurring.rates import farthest, with_mass

USUALLY_NEEDED = 7.5  # the same, that is looked up to first; numerical
MOST_NEEDED = 60.0  # log-likelihood ratio: beyond any that is asked for


def log_likelihood_ratio(count: int, expected: float) -> float:
    """How much better a raised rate explains a count than the expected one; 0 where no more came than expected."""
    if count <= expected:
        return 0.0
    return float(count * np.log(count / expected) - (count - expected))


@lru_cache(maxsize=4096)
def chance_of_reaching(needed: float, most_expected: float, least: int) -> float:
    """Chance that the ratio ever reaches `needed` up to `most_expected` expected events, at the expected rate.

    Args:
        needed: Log-likelihood ratio, above 0.
        most_expected: Expected events at the end of the watch.
        least: Events before which nothing is said.
    """
    counts = np.arange(int(4 * most_expected + 40 * needed) + least + 100)  # beyond any count that can still stand
    log_factorial = gammaln(counts + 1)
    told = counts[least:]
    bounds = np.minimum(-told * lambertw(-np.exp(-1 - needed / told)).real, most_expected)
    steps = np.diff(bounds, prepend=0.0)
    first, standing = 0, np.array([1.0])  # chance of each count, from the first on, with nothing reached so far
    for count, bound, more in zip(told.tolist(), bounds.tolist(), steps.tolist(), strict=True):
        come = counts[: min(count, int(more + farthest(more)) + 1)]
        step = np.exp(xlogy(come, more) - more - log_factorial[come])
        cut, standing = with_mass(np.convolve(standing, step)[: max(count - first, 0)])  # `count` by then reaches it
        first += cut
        if bound >= most_expected or not len(standing):
            break
    return float(1 - standing.sum())


@lru_cache(maxsize=4096)
def needed_ratio(chance: float, most_expected: float, least: int) -> float:
    """The log-likelihood ratio that is reached by mistake with this chance."""
    most = USUALLY_NEEDED
    while most < MOST_NEEDED and chance_of_reaching(most, most_expected, least) > chance:
        most *= 2
    return float(
        brentq(lambda needed: chance_of_reaching(needed, most_expected, least) - chance, 1e-6, most, xtol=1e-9)
    )
