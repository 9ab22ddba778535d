"""Counts, exposures and how sure one may be of their rates: exact limits, stratified comparison, false discoveries."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, ndtr, ndtri
from scipy.stats import chi2

from pipelines.handover import Float64s, Int64s

MANY = 40  # events from which the scatter between vehicles can be told (judgement)
LEAST_P = 1e-13  # below it the arithmetic tells no more
AT_ONCE = 2_000_000  # counts times strata that are in memory: some 100 MB; for memory
LEAST_MASS = 1e-15  # of what cannot be, by the arithmetic
NO_MASS = 1e-17  # that lies so far out that it is not counted: below what double precision tells from 1
MOST_P = 0.05  # of those that are asked how likely they are
FARTHEST_LOG = 20.0  # of a rate ratio that is looked for
NEAR_LOG = 1.25  # of a rate ratio that is looked for first; numerical


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Exposed against the others within strata; S strata.

    Attributes:
        exposed_events: [S], events among the exposed.
        events: [S], all events.
        exposed_time: [S], exposure of the exposed, any unit of time.
        time: [S], all exposure, same unit.
        dispersion: How much wider counts scatter than Poisson, since events of one vehicle come together; 1 or more.
        once: Each unit of time is a case in which the event happens once or not at all (a job with or without its
            reset), so that counts are hypergeometric; the times are then whole numbers of cases.
    """

    exposed_events: Int64s
    events: Int64s
    exposed_time: Float64s
    time: Float64s
    dispersion: float = 1.0
    once: bool = False

    def informative(self) -> "Comparison":
        """The same without strata that cannot tell: no event, or only exposed or only unexposed time."""
        keep = (self.events > 0) & (self.exposed_time > 0) & (self.exposed_time < self.time)
        return Comparison(
            exposed_events=self.exposed_events[keep],
            events=self.events[keep],
            exposed_time=self.exposed_time[keep],
            time=self.time[keep],
            dispersion=self.dispersion,
            once=self.once,
        )

    def exposed_shares(self, rate_ratio: float) -> Float64s:
        """Chance that an event of each stratum is of the exposed, [S], if their rate is that many times the others'."""
        weight = rate_ratio * self.exposed_time
        shares: Float64s = weight / (weight + self.time - self.exposed_time)
        return shares


def poisson_limits(count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits of a Poisson mean (Garwood 1936, Biometrika 28, 437-442)."""
    tail = (1 - confidence) / 2
    low = float(chi2.ppf(tail, 2 * count) / 2) if count else 0.0
    return low, float(chi2.ppf(1 - tail, 2 * count + 2) / 2)


@dataclass(frozen=True, kw_only=True)
class Excess:
    """A test for a rate ratio above 1, and how often it would say as much by chance.

    Attributes:
        p_value: One-sided.
        steps: The p-values up to MOST_P that counts so few can give at all, rising; None: any can come.
        chances: Of each step, how likely one as low comes by chance.
    """

    p_value: float
    steps: Float64s | None
    chances: Float64s | None

    def chance_of(self, p_values: Float64s) -> Float64s:
        """How likely a p-value as low as each comes by chance; of p-values up to MOST_P."""
        if self.steps is None or self.chances is None:
            return p_values
        at = np.searchsorted(self.steps, p_values, side="right")
        chance: Float64s = np.append(0.0, self.chances)[at]
        return chance


def excess(comparison: Comparison, *, mid: bool = True) -> Excess:
    """A rate ratio above 1, conditional on each stratum's count of events.

    Args:
        comparison: Counts and exposures.
        mid: Count half of the probability of what was seen (Lancaster 1961, JASA 56, 223-234).

    Returns:
        Exact without overdispersion; with it, the normal score of the exact p-value shrinks by its square root.
    """
    told = comparison.informative()
    if not told.events.sum():
        return Excess(p_value=1.0, steps=np.zeros(0), chances=np.zeros(0))
    mass = _distribution(told, 1.0)
    as_many = np.minimum(np.cumsum(mass[::-1])[::-1], 1.0)
    p_values = np.clip(as_many - mass / 2 if mid else as_many, LEAST_P, 1.0)
    p_value = float(p_values[told.exposed_events.sum()])
    if told.dispersion > 1:
        return Excess(p_value=float(ndtr(ndtri(p_value) / np.sqrt(told.dispersion))), steps=None, chances=None)
    low = np.flatnonzero((p_values <= MOST_P) & (mass > LEAST_MASS))[::-1]
    return Excess(p_value=p_value, steps=p_values[low], chances=as_many[low])


def rate_ratio(comparison: Comparison) -> float:
    """Conditional maximum likelihood estimate; 0 or infinite where one side has no event, NaN without any event."""
    told = comparison.informative()
    seen, total = int(told.exposed_events.sum()), int(told.events.sum())
    if total == 0:
        return float("nan")
    if told.once:
        return _odds_as_ratio(told, _odds(told))
    if seen in {0, total}:
        return 0.0 if seen == 0 else float("inf")
    return _solve(lambda ratio: float(told.events @ told.exposed_shares(ratio)) - seen)


def rate_ratio_limits(comparison: Comparison, *, confidence: float = 0.95, mid: bool = True) -> tuple[float, float]:
    """Limits of the rate ratio by inverting the conditional test; (0, infinity) without informative events.

    Overdispersion asks for a tail farther out. Beyond what the arithmetic tells apart (LEAST_P), limits go on from
    there on the scale of the ratio's logarithm, on which they are nearly as far as the normal score.
    """
    told = comparison.informative()
    seen, total = int(told.exposed_events.sum()), int(told.events.sum())
    if total == 0:
        return 0.0, float("inf")
    score = float(ndtri((1 - confidence) / 2) * np.sqrt(told.dispersion))
    farther = max(score / float(ndtri(LEAST_P)), 1.0)
    tail = float(ndtr(score / farther))
    low = _solve(lambda ratio: _tails(told, ratio, mid=mid)[1] - tail) if seen > 0 else 0.0
    most = _most_exposed(told) if told.once else total
    high = _solve(lambda ratio: tail - _tails(told, ratio, mid=mid)[0]) if seen < most else float("inf")
    middle = 1.0 if farther == 1.0 else _odds(told) if told.once else rate_ratio(told)
    if 0 < middle < float("inf"):
        low, high = (middle * (limit / middle) ** farther for limit in (low, high))
    return (_odds_as_ratio(told, low), _odds_as_ratio(told, high)) if told.once else (low, high)


def vehicle_dispersion(seen: Float64s, expected: Float64s, *, parameters: int) -> float:
    """How much wider vehicles' counts scatter than Poisson, at least 1: their squared errors over what is expected.

    So what is expected of a vehicle weighs it, as in the variance of a sum over clusters (Liang and Zeger 1986,
    Biometrika 73, 13-22); Pearson's statistic, in which each vehicle weighs the same, is any number where one that was
    hardly at risk has an event. With fewer than MANY events it cannot be told from chance and counts as 1.

    Args:
        seen: Events of each vehicle, [V].
        expected: What its time at risk lets expect, [V].
        parameters: Rates that were estimated to say so.
    """
    at_risk = expected > 0
    freedom = int(at_risk.sum()) - parameters
    if seen.sum() < MANY or freedom < 1:
        return 1.0
    scatter = float(((seen - expected)[at_risk] ** 2).sum() / expected[at_risk].sum())
    return max(scatter * int(at_risk.sum()) / freedom, 1.0)


def _most_exposed(told: Comparison) -> int:
    """The most exposed events that the cases allow."""
    return int(np.minimum(told.events, told.exposed_time).sum())


def _odds(told: Comparison) -> float:
    """Conditional maximum likelihood estimate of the odds ratio."""
    seen = int(told.exposed_events.sum())
    least = int(np.maximum(0, told.events - (told.time - told.exposed_time)).sum())
    if seen in {least, _most_exposed(told)}:
        return 0.0 if seen == least else float("inf")
    counts = np.arange(int(told.events.sum()) + 1)
    return _solve(lambda odds: float(counts @ _distribution(told, odds)) - seen)


def _odds_as_ratio(told: Comparison, odds: float) -> float:
    """How many times as often at these odds, where the others have it as often as they were seen to."""
    usual = float((told.events - told.exposed_events).sum() / (told.time - told.exposed_time).sum())
    if np.isinf(odds):
        return 1 / usual if usual > 0 else float("inf")
    return odds / (1 - usual + usual * odds)


def _tails(told: Comparison, ratio: float, *, mid: bool) -> tuple[float, float]:
    """Probability of as few exposed events as seen, and of as many."""
    seen = int(told.exposed_events.sum())
    mass = _distribution(told, ratio)
    own = (0.5 if mid else 1.0) * mass[seen]
    return float(mass[:seen].sum() + own), float(mass[seen + 1 :].sum() + own)


def _distribution(told: Comparison, ratio: float) -> Float64s:
    """Distribution of the exposed events over strata, by the discrete Fourier transform.

    Source: Hong (2013), Computational Statistics and Data Analysis 59, 41-51; exact to about 1e-14. Of cases that have
    it once or not: Fisher's noncentral hypergeometric distributions (1935, JRSS 98, 39-82), convolved; the ratio is one
    of odds.
    """
    if told.once:
        return _of_cases(told, ratio)
    share = told.exposed_shares(ratio)
    every = int(told.events.sum()) + 1
    first, size = _where_mass_is(told.events, share)
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)[:, None]  # the others are these mirrored
    at_once = max(AT_ONCE // max(len(share), 1), 1)
    parts = [turn[begin : begin + at_once] for begin in range(0, len(turn), at_once)]
    transform = np.concatenate([np.prod((1 - share + share * part) ** told.events, axis=1) for part in parts])
    count = np.arange(first, first + size)
    mass = np.zeros(every)
    mass[count] = np.maximum(np.fft.irfft(transform, n=size), 0.0)[count % size]
    return mass


def _where_mass_is(events: Int64s, share: Float64s) -> tuple[int, int]:
    """First of the counts beyond which less than NO_MASS lies on either side, and how many they are.

    A transform over as many counts as these folds all others onto them, which adds less than that; so its work grows
    with the square root of the counts.
    """
    mean, variance = float(events @ share), float(events @ (share * (1 - share)))
    within = farthest(variance)
    first = max(int(np.floor(mean - within)), 0)
    last = min(int(np.ceil(mean + within)), int(events.sum()))
    return first, last - first + 1


def farthest(variance: float) -> float:
    """From its mean, beyond which less than NO_MASS of a sum of independent events, or of a Poisson count, lies.

    Source: Bernstein's inequality (Boucheron, Lugosi and Massart 2013, Concentration Inequalities, section 2.8).
    """
    far = -float(np.log(NO_MASS))
    return far / 3 + float(np.sqrt((far / 3) ** 2 + 2 * far * variance))


def _of_cases(told: Comparison, odds: float) -> Float64s:
    first, mass = 0, np.ones(1)
    cases = np.column_stack((told.events, told.exposed_time, told.time)).round().astype(int).tolist()
    for events, exposed, every in cases:
        some = np.arange(max(0, events - (every - exposed)), min(events, exposed) + 1)
        weight = _log_choose(exposed, some) + _log_choose(every - exposed, events - some) + some * np.log(odds)
        chance = np.exp(weight - weight.max())
        from_, chance = with_mass(chance / chance.sum())
        before, mass = with_mass(np.convolve(mass, chance))
        first += int(some[0]) + from_ + before
    whole = np.zeros(int(told.events.sum()) + 1)
    whole[first : first + len(mass)] = mass
    return whole


def with_mass(chances: Float64s) -> tuple[int, Float64s]:
    """Chances of counts without those at both ends that are below NO_MASS, and how many were cut off in front."""
    counts = np.flatnonzero(chances > NO_MASS)
    first, last = (int(counts[0]), int(counts[-1])) if len(counts) else (0, -1)
    return first, chances[first : last + 1]


def _log_choose(of: int, some: Int64s) -> Float64s:
    chosen: Float64s = gammaln(of + 1) - gammaln(some + 1) - gammaln(of - some + 1)
    return chosen


def _solve(rising: Callable[[float], float]) -> float:
    """The ratio at which a function that rises with it crosses zero; the end of what is tried where it does not."""

    def by_log(log_ratio: float) -> float:
        return rising(float(np.exp(log_ratio)))

    low, high = -NEAR_LOG, NEAR_LOG  # most lie there; the ends are looked for only as far as they must be
    while by_log(low) >= 0:
        if low <= -FARTHEST_LOG:
            return float(np.exp(low))
        low, high = max(2 * low, -FARTHEST_LOG), low
    while by_log(high) <= 0:
        if high >= FARTHEST_LOG:
            return float(np.exp(high))
        low, high = high, min(2 * high, FARTHEST_LOG)
    return float(np.exp(brentq(by_log, low, high, xtol=1e-8)))
