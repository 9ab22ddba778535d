"""The season: what peers at a depot do together, week by week; compiled kernels over one correction, no frames.

`run_weeks` goes through the weeks with everyone in and keeps what each week rests on; `run_rows` takes from that the
season of any vehicle's rows, with the vehicle's own share in its week taken out. Both can go on from any week's end.
"""

import numba
import numpy as np

from pipelines.bands.group_levels import believed, draw, take_in
from pipelines.bands.order import quantile
from pipelines.handover import Int32s, Int64s
from pipelines.standstill.unlearned import rows_from

PASSES = 3  # of the robust mean; judgement
# Peers further than this many sigmas from the rest say nothing about the season (Tukey's biweight); judgement.
CUT = 4.0
START_FROM = 201  # peers whose median starts the robust mean; judgement
# First readings of a new epoch that say nothing of the season: what they moved may be the epoch's own doing;
# judgement.
SILENT = 3
UNHEARD = 1e9  # by how much their variance counts as more

# One vehicle at a week's end: sum and number of its readings in the epoch, without centre and season; its group's
# level.
PEER = np.dtype(
    [("total", "f8"), ("count", "f8"), ("level", "f8"), ("epoch", "i4"), ("placed", "?")], align=True
)  # fmt: skip
# One depot in one week: season and its variance against the family's, the family's own, the depot's before the week's
# readings, and of those their number, their weight, their mean, and the centre that their weights were taken about.
WEEK_PARTS = (
    "season", "depot_variance", "family_variance", "prior", "prior_variance", "count", "weight", "mean", "centre",
)  # fmt: skip
WEEKLY = np.dtype([(name, "f8") for name in (*WEEK_PARTS, "family")] + [("begun", "?")], align=True)


def blank_peers(vehicles: int) -> np.ndarray:
    """[V] of `PEER`: nothing read yet."""
    peers = np.zeros(vehicles, dtype=PEER)
    peers["epoch"] = -1
    return peers


def by_cell(week: Int64s, depot: Int32s, shape: tuple[int, int], *, since: int) -> tuple[Int64s, Int64s]:
    """Rows of the weeks from `since` on, sorted by week, then depot, then as they stand; first of each [W * D + 1]."""
    weeks, depots = shape
    rows = np.flatnonzero(week >= since)
    cell = week[rows] * depots + depot[rows]
    order = np.argsort(cell, kind="stable")
    return rows[order], np.searchsorted(cell[order], np.arange(weeks * depots + 1)).astype(np.int64)


@numba.njit(cache=True, nogil=True)
def peer_weight(x, variance, centre):  # type: ignore[no-untyped-def]
    """Weight of a peer's reading in the robust mean."""
    d = (x - centre) / (CUT * np.sqrt(variance))
    return (1 - d * d) ** 2 / variance if abs(d) < 1 else 0.0


@numba.njit(cache=True, nogil=True)
def robust_mean(x, variance):  # type: ignore[no-untyped-def]
    """Biweight mean from the median: the mean, the sum of weights, and the centre that these were taken about."""
    step = max(1, len(x) // START_FROM)
    mean = centre = quantile(x[::step].copy(), 0.5)
    total = 0.0
    for _ in range(PASSES):
        centre = mean
        total = weighted = 0.0
        for i in range(len(x)):
            w = peer_weight(x[i], variance[i], centre)
            total += w
            weighted += w * x[i]
        if total <= 0:
            break
        mean = weighted / total
    return mean, total, centre


@numba.njit(cache=True, nogil=True)
def run_weeks(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0912, PLR0915, PLR0917 - one pass over the weeks
    x, order, cell_start, first, last, week, vehicle, group, depot_of, epoch, settled, block, noise2, offset2, move2,
    depot_move2, depot2, duty2, exclude, peers, known, levels, weeks,
):  # fmt: skip
    """Weeks `first` up to `last` of one correction, going on from the week before.

    Args:
        x: [R] readings minus centre and ageing; NaN: not read.
        order: Rows sorted by week and depot.
        cell_start: [W * D + 1] first entry of `order` of each week and depot.
        first: Week to begin with; the one before it is known, or it is 0.
        last: Week to stop at.
        week: [R].
        vehicle: [R] index of the vehicle.
        group: [R] index of depot and duty.
        depot_of: [G] index of a group's depot.
        epoch: [R] learning epoch of the series.
        settled: [R] False while relearning: what moves then is no season.
        block: [R] row of the model that holds then.
        noise2: [B] variance of a week's noise as a mean over many weeks sees it.
        offset2: [B] variance of vehicles' levels.
        move2: [B] variance of a week's movement of the family.
        depot_move2: [B] variance of a week's movement of a depot against the family.
        depot2: [B] variance of depots' levels.
        duty2: [B] variance of duties' levels inside a depot.
        exclude: A vehicle whose rows are left out throughout; -1: none.
        peers: [V] of `PEER`, as they stand before week `first`; brought to the end of the last.
        known: [G] of `GROUP`, the same.
        levels: [W, G] of groups, filled from `first` on; NaN: nobody was there yet, also in week 0 as it comes.
        weeks: [W, D] of `WEEKLY`, filled from `first` on.
    """
    depots = weeks.shape[1]
    size = 0
    for w in range(first, last):
        size = max(size, cell_start[(w + 1) * depots] - cell_start[w * depots])
    d = np.empty(size)
    d2 = np.empty(size)
    rows = np.empty(size, dtype=np.int64)
    start = np.zeros(depots + 1, dtype=np.int64)
    opening, opened = _openings(x, order, vehicle, peers)
    begin = end = 0
    while end < len(opened) and week[opened[end]] < first:
        end += 1
    drawn = np.empty(len(known))
    for w in range(first, last):
        for g in range(len(known) if w > 0 else 0):
            levels[w, g] = levels[w - 1, g]
        begin = end
        while end < len(opened) and week[opened[end]] == w:
            end += 1
        if end > begin:
            _welcome(
                x, opened[begin:end], vehicle, group, depot_of, block, noise2, offset2, exclude, known,
                weeks[max(w - 1, 0)],
            )  # fmt: skip
        if cell_start[(w + 1) * depots] > cell_start[w * depots]:
            b = block[order[cell_start[w * depots]]]
            draw(known, depot_of, depot2[b], duty2[b], drawn)
            for i in range(cell_start[w * depots], cell_start[(w + 1) * depots]):
                levels[w, group[order[i]]] = 0.0
            for g in range(len(known)):
                if not np.isnan(levels[w, g]):
                    levels[w, g] = drawn[g]
        count = 0
        b = 0
        for g in range(depots):
            start[g] = count
            if w > 0:
                weeks[w, g] = weeks[w - 1, g]
            weeks[w, g].weight = 0.0
            for i in range(cell_start[w * depots + g], cell_start[w * depots + g + 1]):
                r = order[i]
                b = block[r]
                peer = peers[vehicle[r]]
                if r == opening[vehicle[r]]:
                    peer.level += levels[w, group[r]]
                    peer.placed = True
                elif r > opening[vehicle[r]] and vehicle[r - 1] == vehicle[r] and group[r - 1] != group[r]:
                    peer.level += levels[w, group[r]] - levels[w, group[r - 1]]
                if np.isnan(x[r]) or not settled[r] or vehicle[r] == exclude:
                    continue
                if epoch[r] != peer.epoch:
                    peer.epoch = epoch[r]
                    peer.total = 0.0
                    peer.count = 0.0
                shrink = peer.count + noise2[b] / offset2[b]
                rows[count] = r
                d[count] = x[r] - peer.level - peer.total / shrink
                d2[count] = noise2[b] * (1 + 1 / shrink)
                if epoch[r] > 0 and peer.count < SILENT:
                    d2[count] *= UNHEARD
                count += 1
        start[depots] = count
        if cell_start[(w + 1) * depots] == cell_start[w * depots]:
            continue
        family = before = weeks[w, 0].family
        family2 = weeks[w, 0].family_variance + move2[b]
        begun = weeks[w, 0].begun
        if count:
            mean, total, _ = robust_mean(d[:count], d2[:count])
            if begun and total > 0:
                family2 = believed(family2, 1 / total, mean - family, count)
                gain = family2 / (family2 + 1 / total)
                family += gain * (mean - family)
                family2 *= 1 - gain
            begun = True
        for g in range(depots):
            place = weeks[w, g]
            place.family, place.family_variance, place.begun = family, family2, begun
            place.prior = place.season + family - before
            place.prior_variance = place.depot_variance + depot_move2[b]
            place.season, place.depot_variance = place.prior, place.prior_variance
            if start[g + 1] > start[g]:
                inside = slice(start[g], start[g + 1])
                place.mean, place.weight, place.centre = robust_mean(d[inside], d2[inside])
                place.count = start[g + 1] - start[g]
                if place.weight > 0:
                    gap = place.mean - place.prior
                    moves = believed(place.prior_variance, 1 / place.weight, gap, place.count)
                    gain = moves / (moves + 1 / place.weight)
                    place.season += gain * gap
                    place.depot_variance = moves * (1 - gain)
            for i in range(start[g], start[g + 1]):
                peer = peers[vehicle[rows[i]]]
                if epoch[rows[i]] == peer.epoch:
                    peer.total += x[rows[i]] - peer.level - place.season
                    peer.count += 1
            if exclude >= 0:
                place.weight = 0.0  # whom the season is for has no share in it


@numba.njit(cache=True, nogil=True)
def _openings(x, order, vehicle, peers):  # type: ignore[no-untyped-def]
    """[V] row of each vehicle's first reading, -1: read before; and those rows in their order."""
    opening = np.full(len(peers), -1)
    found = 0
    for r in range(len(x)):
        v = vehicle[r]
        if opening[v] < 0 and not peers[v].placed and not np.isnan(x[r]):
            opening[v] = r
            found += 1
    for v in range(len(peers)):
        if opening[v] < 0 and not peers[v].placed:
            opening[v] = len(x)  # not read yet
    rows = np.empty(found, dtype=np.int64)
    found = 0
    for r in order:
        if opening[vehicle[r]] == r:
            rows[found] = r
            found += 1
    return opening, rows[:found]


@numba.njit(cache=True, nogil=True)
def _welcome(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    x, rows, vehicle, group, depot_of, block, noise2, offset2, exclude, known, before
):
    """Take the vehicles that are read for the first time into what is known of their groups.

    All is as for the weeks, but `rows`, which are their first readings, and `before`, [D] of the week before.
    """
    new, new2 = np.empty(len(rows)), np.empty(len(rows))
    b = block[rows[0]]
    for g in range(len(known)):
        count = 0
        for r in rows:
            if group[r] == g and vehicle[r] != exclude:
                new[count] = x[r] - before[depot_of[g]].season
                new2[count] = noise2[b] + offset2[b]
                count += 1
        if count:
            mean, weight, _ = robust_mean(new[:count], new2[:count])
            take_in(known[g], mean, weight, count)


@numba.njit(cache=True, nogil=True)
def run_rows(  # type: ignore[no-untyped-def]  # noqa: C901, PLR0917 - one pass over the rows
    x,
    first,
    row_start,
    week,
    depot,
    group,
    epoch,
    settled,
    block,
    noise2,
    offset2,
    peers,
    levels,
    weeks,
    season,
    variance,
):
    """Season at each vehicle's rows from `first` on, from other vehicles' rows up to the end of the row's week.

    Args:
        x: [R] readings minus centre and ageing; NaN: not read, its season is left as it was.
        first: [V] first row of each vehicle that is wanted, at a week's start.
        row_start: [V + 1].
        week: [R].
        depot: [R] index of its depot.
        group: [R] index of its depot and duty.
        epoch: [R] learning epoch of the series.
        settled: [R] as for the weeks.
        block: [R] row of the model that holds then.
        noise2: [B] as for the weeks.
        offset2: [B] as for the weeks.
        peers: [V] of `PEER`, as they stand before row `first`; left alone.
        levels: [1 or V, W, G] of groups: for all, or for each vehicle its own, without it.
        weeks: [1 or V, W, D] of `WEEKLY`, the same.
        season: [R] output, with the level of the vehicle's group.
        variance: [R] output, error variance of the season.
    """
    reached = np.empty(len(x))
    for v in range(len(row_start) - 1):
        ours = weeks[v] if len(weeks) > 1 else weeks[0]
        our_levels = levels[v] if len(levels) > 1 else levels[0]
        total, count, now = peers[v].total, peers[v].count, peers[v].epoch
        level, placed = peers[v].level, peers[v].placed
        opened = first[v]
        for r in range(first[v], row_start[v + 1]):
            if week[r] != week[opened]:
                for i in range(opened, r):
                    if not np.isnan(x[i]) and settled[i] and epoch[i] == now:
                        total += x[i] - reached[i] - ours[week[i], depot[i]].season
                        count += 1
                opened = r
            if placed and r > row_start[v] and group[r] != group[r - 1]:
                level += our_levels[week[r], group[r]] - our_levels[week[r], group[r - 1]]
            if not placed and not np.isnan(x[r]):
                level += our_levels[week[r], group[r]]
                placed = True
            reached[r] = level
            if np.isnan(x[r]):
                season[r] += level if placed else our_levels[week[r], group[r]]
                continue
            if epoch[r] != now:
                now = epoch[r]
                total = count = 0.0
            here = ours[week[r], depot[r]]
            season[r] = here.season + level
            variance[r] = here.depot_variance + here.family_variance
            if here.weight > 0:
                noise = noise2[block[r]]
                shrink = count + noise / offset2[block[r]]
                d = x[r] - level - total / shrink
                own_variance = noise * (1 + 1 / shrink)
                if now > 0 and count < SILENT:
                    own_variance *= UNHEARD
                own = peer_weight(d, own_variance, here.centre) if settled[r] else 0.0
                others = here.weight - own
                season[r] = here.prior + level
                variance[r] = here.prior_variance + here.family_variance
                if others > 1e-12 * here.weight:
                    gap = (here.weight * here.mean - own * d) / others - here.prior
                    moves = believed(here.prior_variance, 1 / others, gap, here.count - 1)
                    gain = moves / (moves + 1 / others)
                    season[r] += gain * gap
                    variance[r] = moves * (1 - gain) + here.family_variance


@numba.njit(cache=True, nogil=True)
def anchors(row_start, begin, block, calibration, centre, ageing, km):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Centre as known when the vehicle got its calibration, and ageing with the way since.

    A centre that is learned anew moves no series that is already running, also where a new calibration moves it on.

    Args:
        row_start: [V + 1].
        begin: [V] first row of each vehicle that is wanted; `n` rows in all.
        block: [R] row of `centre` and `ageing` that holds then.
        calibration: [R].
        centre: [B, K].
        ageing: [B] per km.
        km: [R]; NaN: not known.

    Returns:
        [n] the anchor; [n, 2] what of it the vehicle's last change of calibration, and all of them, moved.
    """
    wanted = rows_from(begin, row_start)
    out = np.empty(wanted)
    moved = np.empty((wanted, 2))
    i = 0
    for v in range(len(row_start) - 1):
        if begin[v] == row_start[v + 1]:
            continue
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
            if r >= begin[v]:
                out[i] = start + every + way
                moved[i, 0], moved[i, 1] = newest, every
                i += 1
    return out, moved
