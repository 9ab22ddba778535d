"""What other parts lend a comparison of one part's batches: how often work comes back at all, worth what parts differ.

A batch may be most of what was ever fitted of its part, so that hardly anything is left to hold it against. But parts
come back at rates that are of one family: as many events as their spread leaves worth are put to the others, with the
time in which parts bring so many. That is the gamma prior of a Poisson rate, told by the other parts.

Source: DuMouchel (1999), The American Statistician 53(3), 177-190 (rates shrunk by a gamma prior of all of them);
the spread by moments, one standard error wider.
"""

from typing import NamedTuple

import numpy as np

from pipelines.handover import Float64s, Int64s


class Lent(NamedTuple):
    """By stratum, [S]: whole events, and the time that they stand for."""

    events: Int64s
    time: Float64s


def lent(events: Int64s, time: Float64s) -> Lent:
    """What the other strata lend each one.

    Args:
        events: [S].
        time: [S] at risk.
    """
    some, span = np.zeros(len(events), dtype=np.int64), np.zeros(len(events))
    for stratum in range(len(events)):
        others = np.delete(np.arange(len(events)), stratum)
        seen, at_risk = events[others].astype(np.float64), time[others]
        if seen.sum() == 0 or np.count_nonzero(at_risk) < 2:
            continue
        rate = seen.sum() / at_risk.sum()
        usual = rate * at_risk
        excess, by_chance = np.sum((seen - usual) ** 2 - usual), np.sqrt(2.0 * np.sum(usual**2))
        worth = rate**2 * np.sum(at_risk**2) / (max(excess, 0.0) + by_chance)
        some[stratum] = int(min(worth, seen.sum()))
        span[stratum] = some[stratum] / rate
    return Lent(some, span)
