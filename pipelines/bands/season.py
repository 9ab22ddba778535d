"""The season: what peers at a depot do together, week by week; a compiled kernel over one correction, no frames."""

import numba
import numpy as np

PASSES = 3  # of the robust mean
CUT = 4.0  # peers further than this many sigmas from the rest say nothing about the season (Tukey's biweight)
START_FROM = 201  # peers whose median starts the robust mean
SILENT = 3  # first readings of a new epoch that say nothing of the season: what they moved may be the epoch's own doing


@numba.njit(cache=True, nogil=True)
def robust_mean(x, variance, count, chosen):  # type: ignore[no-untyped-def]
    """Biweight mean of the first `count` entries from their median; (mean, its variance, sum of weights).

    `chosen` [count] receives each entry's weight in the sum.
    """
    step = max(1, count // START_FROM)
    centre = np.median(x[:count:step])
    total = 0.0
    for _ in range(PASSES):
        total = weighted = 0.0
        for i in range(count):
            d = (x[i] - centre) / (CUT * np.sqrt(variance[i]))
            w = (1 - d * d) ** 2 / variance[i] if abs(d) < 1 else 0.0
            chosen[i] = w
            total += w
            weighted += w * x[i]
        if total <= 0:
            break
        centre = weighted / total
    return centre, total


@numba.njit(cache=True, nogil=True)
def run(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0915, PLR0917 - one compiled pass over the weeks
    x,
    order,
    week_start,
    vehicle,
    depot,
    epoch,
    block,
    noise2,
    offset2,
    move2,
    depot_move2,
    depots,
    vehicles,
    exclude,
    season,
    variance,
    weekly,
    weekly_variance,
):
    """Season of one correction at every row, from other vehicles' rows up to the end of that row's week.

    Args:
        x: [R] readings minus centre and ageing; NaN: not read.
        order: [R] rows sorted by week, then as they stand.
        week_start: [W + 1] first entry of `order` of each week.
        vehicle: [R] index of the vehicle.
        depot: [R] index of its depot.
        epoch: [R] learning epoch of the series.
        block: [R] row of the model that holds then.
        noise2: [B] variance of a week's noise as a mean over many weeks sees it.
        offset2: [B] variance of vehicles' levels.
        move2: [B] variance of a week's movement of the family.
        depot_move2: [B] variance of a week's movement of a depot against the family.
        depots: How many.
        vehicles: How many.
        exclude: A vehicle whose rows are left out throughout; -1: none, and each row's own share in its week is taken
            out instead.
        season: [R] output (only rows of `exclude`, if one is given).
        variance: [R] output, error variance of the season.
        weekly: [W, depots] output, the season with everyone in.
        weekly_variance: [W, depots] output.
    """
    sums = np.zeros(vehicles)
    counts = np.zeros(vehicles)
    current = np.full(vehicles, -1, dtype=np.int32)
    size = 0
    for w in range(len(week_start) - 1):
        size = max(size, week_start[w + 1] - week_start[w])
    d = np.empty(size)
    d2 = np.empty(size)
    weight = np.empty(size)
    rows = np.empty(size, dtype=np.int64)
    some = np.empty(size)
    some2 = np.empty(size)
    some_weight = np.empty(size)
    place = np.empty(size, dtype=np.int64)
    family = 0.0
    family2 = 0.0
    at = np.zeros(depots)
    at2 = np.zeros(depots)
    begun = False
    for w in range(len(week_start) - 1):
        count = 0
        b = 0
        for i in range(week_start[w], week_start[w + 1]):
            r = order[i]
            b = block[r]
            v = vehicle[r]
            if np.isnan(x[r]) or v == exclude:
                continue
            if epoch[r] != current[v]:
                current[v] = epoch[r]
                sums[v] = 0.0
                counts[v] = 0.0
            shrink = counts[v] + noise2[b] / offset2[b]
            rows[count] = r
            d[count] = x[r] - sums[v] / shrink
            d2[count] = noise2[b] * (1 + 1 / shrink)
            if epoch[r] > 0 and counts[v] < SILENT:
                d2[count] *= 1e9
            count += 1
        if week_start[w + 1] > week_start[w]:
            before = family
            q, qd = move2[b], depot_move2[b]
            family2 += q
            if count:
                mean, total = robust_mean(d, d2, count, weight)
                if begun and total > 0:
                    gain = family2 / (family2 + 1 / total)
                    family += gain * (mean - family)
                    family2 *= 1 - gain
                begun = True
            for g in range(depots):
                prior = at[g] + family - before
                prior2 = at2[g] + qd
                inside = 0
                for i in range(count):
                    if depot[rows[i]] == g:
                        some[inside] = d[i]
                        some2[inside] = d2[i]
                        place[inside] = i
                        inside += 1
                at[g] = prior
                at2[g] = prior2
                total = mean = 0.0
                if inside:
                    mean, total = robust_mean(some, some2, inside, some_weight)
                    if total > 0:
                        gain = prior2 / (prior2 + 1 / total)
                        at[g] += gain * (mean - prior)
                        at2[g] *= 1 - gain
                weekly[w, g] = at[g]
                weekly_variance[w, g] = at2[g] + family2
                if exclude >= 0:
                    continue
                for k in range(inside):
                    r = rows[place[k]]
                    season[r] = at[g]
                    variance[r] = at2[g] + family2
                    others = total - some_weight[k]
                    if total > 0:
                        lone = prior
                        lone2 = prior2
                        if others > 1e-12 * total:
                            without = (total * mean - some_weight[k] * some[k]) / others
                            gain = prior2 / (prior2 + 1 / others)
                            lone = prior + gain * (without - prior)
                            lone2 = prior2 * (1 - gain)
                        season[r] = lone
                        variance[r] = lone2 + family2
            for i in range(count):
                v = vehicle[rows[i]]
                sums[v] += x[rows[i]] - at[depot[rows[i]]]
                counts[v] += 1
        else:
            for g in range(depots):
                weekly[w, g] = at[g]
                weekly_variance[w, g] = at2[g] + family2
        if exclude >= 0:
            for i in range(week_start[w], week_start[w + 1]):
                r = order[i]
                if vehicle[r] == exclude:
                    season[r] = at[depot[r]]
                    variance[r] = at2[depot[r]] + family2


@numba.njit(cache=True, nogil=True)
def anchors(row_start, block, calibration, centre, ageing, km):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Centre as known when the vehicle got its calibration, and ageing with the way since.

    A centre that is learned anew moves no series that is already running, also where a new calibration moves it on.

    Args:
        row_start: [V + 1].
        block: [R] row of `centre` and `ageing` that holds then.
        calibration: [R].
        centre: [B, K].
        ageing: [B] per km.
        km: [R]; NaN: not known.

    Returns:
        [R] the anchor; [R, 2] what of it the vehicle's last change of calibration, and all of them, moved.
    """
    out = np.empty(len(block))
    moved = np.zeros((len(block), 2))
    for v in range(len(row_start) - 1):
        start = 0.0
        way = 0.0
        newest = 0.0
        every = 0.0
        last = np.nan
        for r in range(row_start[v], row_start[v + 1]):
            if not np.isnan(km[r]):
                if not np.isnan(last):
                    way += ageing[block[r]] * (km[r] - last)
                elif r == row_start[v]:
                    way = ageing[block[r]] * km[r]
                last = km[r]
            if r == row_start[v]:
                start = centre[block[r], calibration[r]]
            elif calibration[r] != calibration[r - 1]:
                newest = centre[block[r], calibration[r]] - centre[block[r], calibration[r - 1]]
                every += newest
            out[r] = start + every + way
            moved[r] = newest, every
    return out, moved
