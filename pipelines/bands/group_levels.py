"""What vehicles of a depot, and of a duty inside it, read beside their family's centre; compiled kernels, no frames.

Each vehicle is taken in once, by its first reading. A depot's level is drawn to the family's, a duty's inside it to the
depot's, by how far such groups differ (learned, `fit.py`) and by how many vehicles show it; but a group of several that
lies beyond doubt elsewhere is taken for what it is, however alike all groups were before. Where those that came in
different weeks contradict each other, as when one of three came ill, the group is known by so much less. A vehicle's
level at its group is what was known in the week of its first reading there: what is learned later moves no series that
runs.

Source: empirical Bayes of nested means (Efron and Morris 1973, Journal of the American Statistical Association 68);
errors by what disagrees (Birge 1932, Physical Review 40).
"""

import numba
import numpy as np

from pipelines.handover import Int32s, Panel

LEAST = 3  # vehicles (peers of a week) that can show that a group lies, or moved, where none did before; judgement
# Squared standard errors beyond which that is beyond doubt: one in 15,000 weeks and corrections by chance; derived.
SURE = 16.0

# One group: mean of its vehicles' first readings without season, the sum of their weights, how many they are; in how
# many weeks they came, and the weighed squares of those weeks' means about the mean.
GROUP = np.dtype([(name, "f8") for name in ("mean", "weight", "count", "weeks", "apart")])


def groups_of(panel: Panel) -> tuple[Int32s, Int32s, tuple[str, ...]]:
    """[R] index of the group (depot and duty), [G] index of its depot, and the groups' names."""
    pair = panel.depot.astype(np.int64) * len(panel.duties) + panel.duty
    used = np.flatnonzero(np.bincount(pair))
    place = np.zeros(int(used.max(initial=0)) + 1, dtype=np.int32)
    place[used] = np.arange(len(used))
    depot, duty = np.divmod(used, max(len(panel.duties), 1))
    names = tuple(group_name(panel.depots[d], panel.duties[u]) for d, u in zip(depot, duty, strict=True))
    return place[pair], depot.astype(np.int32), names


def group_name(depot: str, duty: str) -> str:
    """One word for both."""
    return f"{depot}\n{duty}"


@numba.njit(cache=True, nogil=True)
def believed(prior, error, gap, count):  # type: ignore[no-untyped-def]
    """Variance of what can lie `gap` off: that of groups so far, or what the gap shows where it is beyond doubt.

    Args:
        prior: Variance of such gaps, as learned.
        error: Variance of the error of this one.
        gap: How far off it lies.
        count: Vehicles that it rests on.
    """
    return max(prior, gap * gap - error) if is_doubtless(prior, error, gap, count) else prior


@numba.njit(cache=True, nogil=True)
def is_doubtless(prior, error, gap, count):  # type: ignore[no-untyped-def]
    """Whether a gap lies beyond all that such gaps and their error make; arguments as those of `believed`."""
    return count >= LEAST and gap * gap > SURE * (prior + error)


@numba.njit(cache=True, nogil=True)
def take_in(known, mean, weight, count):  # type: ignore[no-untyped-def]
    """Add a week's new vehicles to one `GROUP`."""
    if weight > 0:
        gone = mean - known.mean
        known.apart += gone * gone * weight * known.weight / (known.weight + weight)
        known.mean = (known.weight * known.mean + weight * mean) / (known.weight + weight)
        known.weight += weight
        known.count += count
        known.weeks += 1


@numba.njit(cache=True, nogil=True)
def error_of(known):  # type: ignore[no-untyped-def]
    """Variance of the error of one group's mean."""
    return max(known.apart / max(known.weeks - 1, 1), 1.0) / known.weight


@numba.njit(cache=True, nogil=True)
def draw(known, depot_of, depot2, duty2, levels):  # type: ignore[no-untyped-def]
    """Fill the level of each group [G], drawn to its depot's, and that to the family's (0).

    Args:
        known: [G] of `GROUP`.
        depot_of: [G].
        depot2: Variance of depots' levels.
        duty2: Variance of duties' levels inside a depot.
        levels: [G] output.
    """
    depots = 0
    for d in depot_of:
        depots = max(depots, d + 1)
    total, weight, count = np.zeros(depots), np.zeros(depots), np.zeros(depots)
    for g in range(len(known)):
        if known[g].weight > 0:
            w = 1 / (error_of(known[g]) + duty2)
            total[depot_of[g]] += w * known[g].mean
            weight[depot_of[g]] += w
            count[depot_of[g]] += known[g].count
    for g in range(len(known)):
        d = depot_of[g]
        levels[g] = 0.0
        if weight[d] > 0:
            mean = total[d] / weight[d]
            prior = believed(depot2, 1 / weight[d], mean, count[d])
            levels[g] = mean * prior / (prior + 1 / weight[d])
        if known[g].weight > 0:
            gap = known[g].mean - levels[g]
            error = error_of(known[g])
            prior = believed(duty2, error, gap, known[g].count)
            levels[g] += gap * prior / (prior + error)
