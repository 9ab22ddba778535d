"""The season: what peers at a depot do together, week by week; compiled kernels over one correction, no frames.

`run_weeks` goes through the weeks with everyone in and keeps what each week rests on; `run_rows` takes from that the
season of any vehicle's rows, with the vehicle's own share in its week taken out. Both can go on from any week's end.
"""

from typing import Any, NamedTuple

import numba
import numpy as np

from pipelines.bands.group_levels import believed, draw, is_doubtless
from pipelines.bands.newcomers import openings, welcome
from pipelines.bands.normal import Normal
from pipelines.bands.robust_mean import is_shared, mean_about, peer_weight, robust_mean
from pipelines.handover import Int32s, Int64s

# First readings of a new epoch that say nothing of the season: what they moved may be the epoch's own doing;
# judgement.
SILENT = 3
UNHEARD = 1e9  # by how much their variance counts as more; numerical

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


NOWHERE = np.zeros(0, dtype=np.int32)  # no groups are asked for: definition


class Rows(NamedTuple):
    """One correction at a family's rows, [R], sorted by vehicle, then time.

    x: readings minus centre and ageing; NaN: not read. week. vehicle, depot, group: indices, the last of depot and
    duty. epoch: of learning. settled: False while relearning: what moves then is no season. block: of the model.
    """

    x: Any
    week: Any
    vehicle: Any
    depot: Any
    group: Any
    epoch: Any
    settled: Any
    block: Any


class Order(NamedTuple):
    """Rows sorted by week and depot.

    cell_start: [W * D + 1] the first of each week and depot. depot_of: [G] index of each group's depot.
    """

    rows: Any
    cell_start: Any
    depot_of: Any


class Model(NamedTuple):
    """How a correction's season moves and what blurs it, by block of time, [B], variances.

    noise: of a week's noise as a mean over many weeks sees it. level: of vehicles' levels. move, depot_move: of a
    week's movement of the family, and of a depot against it. depot_spread, duty_spread: of depots' levels, and of
    duties' inside a depot.
    """

    noise: Any
    level: Any
    move: Any
    depot_move: Any
    depot_spread: Any
    duty_spread: Any

    @classmethod
    def of(cls, c: int, normal: Normal) -> "Model":
        """Of correction c."""
        return cls(
            normal.weekly_noise(c), normal.offset_sd[c] ** 2, normal.season_move[c], normal.depot_move[c],
            normal.depot_spread[c], normal.duty_spread[c],
        )  # fmt: skip


class Known(NamedTuple):
    """What is known of a correction's season.

    peers: [V] of `PEER` at a week's end. groups: [G] of `GROUP` then. levels: [W, G] of groups; NaN: nobody was there
    yet, also in week 0 as it comes. weeks: [W, D] of `WEEKLY`. shared: whether the vehicles are among those from whose
    readings it was learned.
    """

    peers: Any
    groups: Any
    levels: Any
    weeks: Any
    shared: bool = True


class Heard(NamedTuple):
    """What is heard in one week, depot by depot: readings without their vehicles' levels, variances, rows.

    start: [D + 1] the first of each depot.
    """

    x: Any
    variance: Any
    row: Any
    start: Any


def blank_peers(vehicles: int) -> np.ndarray:
    """[V] of `PEER`: nothing read yet."""
    peers = np.zeros(vehicles, dtype=PEER)
    peers["epoch"] = -1
    return peers


def by_cell(
    week: Int64s, depot: Int32s, shape: tuple[int, int], *, since: int, depot_of: Int32s = NOWHERE
) -> Order:  # fmt: skip
    """Rows of the weeks from `since` on, sorted by week, then depot, then as they stand.

    Args:
        week: [R].
        depot: [R].
        shape: Weeks and depots.
        since: Week.
        depot_of: [G] index of each group's depot, where groups are asked for.
    """
    weeks, depots = shape
    rows = np.flatnonzero(week >= since)
    cell = week[rows] * depots + depot[rows]
    order = np.argsort(cell, kind="stable")
    cell_start = np.searchsorted(cell[order], np.arange(weeks * depots + 1)).astype(np.int64)
    return Order(rows[order], cell_start, depot_of)


@numba.njit(cache=True, nogil=True)
def run_weeks(rows, order, model, known, first, last, exclude):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Weeks `first` up to `last` of one correction, going on from the week before.

    Args:
        rows: `Rows`.
        order: `Order`.
        model: `Model`.
        known: `Known` at the end of the week before `first`; brought to the end of the last.
        first: Week to begin with; the one before it is known, or it is 0.
        last: Week to stop at.
        exclude: A vehicle whose rows are left out throughout; -1: none.
    """
    depots, start = known.weeks.shape[1], order.cell_start
    size = 0
    for w in range(first, last):
        size = max(size, start[(w + 1) * depots] - start[w * depots])
    heard = Heard(np.empty(size), np.empty(size), np.empty(size, dtype=np.int64), np.zeros(depots + 1, dtype=np.int64))
    opening, opened = openings(rows.x, order.rows, rows.vehicle, known.peers)
    begin = end = 0
    while end < len(opened) and rows.week[opened[end]] < first:
        end += 1
    for w in range(first, last):
        begin = end
        while end < len(opened) and rows.week[opened[end]] == w:
            end += 1
        _carry_over(known, w)
        if end > begin:
            welcome(rows, order, opened[begin:end], model, known, w, exclude)
        if start[(w + 1) * depots] > start[w * depots]:
            block = rows.block[order.rows[start[w * depots]]]  # blocks begin with weeks
            _draw_levels(rows, order, model, known, w, block)
            _hear(rows, order, model, known, w, opening, exclude, heard)
            _follow_family(known.weeks, model.move[block], heard, w)
            for depot in range(depots):
                _follow_depot(known.weeks[w, depot], model.depot_move[block], heard, depot)
                _follow_peers(rows, known, heard, w, depot)
                if exclude >= 0:
                    known.weeks[w, depot].weight = 0.0  # whom the season is for has no share in it


@numba.njit(cache=True, nogil=True)
def _carry_over(known, w):  # type: ignore[no-untyped-def]
    """Begin week w with what was known at the end of the one before."""
    for g in range(len(known.groups) if w > 0 else 0):
        known.levels[w, g] = known.levels[w - 1, g]
    for depot in range(known.weeks.shape[1]):
        if w > 0:
            known.weeks[w, depot] = known.weeks[w - 1, depot]
        known.weeks[w, depot].weight = 0.0


@numba.njit(cache=True, nogil=True)
def _draw_levels(rows, order, model, known, w, block):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Fill the groups' levels of week w, of those that somebody is at."""
    depots = known.weeks.shape[1]
    drawn = np.empty(len(known.groups))
    draw(known.groups, order.depot_of, model.depot_spread[block], model.duty_spread[block], drawn)
    for i in range(order.cell_start[w * depots], order.cell_start[(w + 1) * depots]):
        known.levels[w, rows.group[order.rows[i]]] = 0.0
    for g in range(len(known.groups)):
        if not np.isnan(known.levels[w, g]):
            known.levels[w, g] = drawn[g]


@numba.njit(cache=True, nogil=True)
def _hear(rows, order, model, known, w, opening, exclude, heard):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Fill what is heard in week w: settled readings without their vehicles' own levels, depot by depot."""
    depots, levels = known.weeks.shape[1], known.levels
    count = 0
    for depot in range(depots):
        heard.start[depot] = count
        for i in range(order.cell_start[w * depots + depot], order.cell_start[w * depots + depot + 1]):
            r = order.rows[i]
            v = rows.vehicle[r]
            peer = known.peers[v]
            if r == opening[v]:
                peer.level += levels[w, rows.group[r]]
                peer.placed = True
            elif r > opening[v] and rows.vehicle[r - 1] == v and rows.group[r - 1] != rows.group[r]:
                peer.level += levels[w, rows.group[r]] - levels[w, rows.group[r - 1]]
            if np.isnan(rows.x[r]) or not rows.settled[r] or v == exclude:
                continue
            if rows.epoch[r] != peer.epoch:
                peer.epoch = rows.epoch[r]
                peer.total = 0.0
                peer.count = 0.0
            noise = model.noise[rows.block[r]]
            shrink = peer.count + noise / model.level[rows.block[r]]
            heard.row[count] = r
            heard.x[count] = rows.x[r] - peer.level - peer.total / shrink
            heard.variance[count] = noise * (1 + 1 / shrink)
            if rows.epoch[r] > 0 and peer.count < SILENT:
                heard.variance[count] *= UNHEARD
            count += 1
    heard.start[depots] = count


@numba.njit(cache=True, nogil=True)
def _follow_family(weeks, move, heard, w):  # type: ignore[no-untyped-def]
    """Bring the family's season, and what depots expect by it, from the week before to what is heard in week w."""
    depots = weeks.shape[1]
    count = heard.start[depots]
    family = before = weeks[w, 0].family
    variance = weeks[w, 0].family_variance + move
    begun = weeks[w, 0].begun
    if count:
        mean, weight, _ = robust_mean(heard.x[:count], heard.variance[:count])
        if begun and weight > 0 and is_doubtless(variance, 1 / weight, mean - family, count):
            apart = np.empty(count)
            for depot in range(depots):
                for i in range(heard.start[depot], heard.start[depot + 1]):
                    apart[i] = heard.x[i] - weeks[w, depot].season
            if not is_shared(apart, heard.variance[:count], mean - family):
                mean, weight, _ = mean_about(heard.x[:count], heard.variance[:count], family)
        if begun and weight > 0:
            variance = believed(variance, 1 / weight, mean - family, count)
            gain = variance / (variance + 1 / weight)
            family += gain * (mean - family)
            variance *= 1 - gain
        begun = True
    for depot in range(depots):
        place = weeks[w, depot]
        place.family, place.family_variance, place.begun = family, variance, begun
        place.prior = place.season + family - before


@numba.njit(cache=True, nogil=True)
def _follow_depot(place, move, heard, depot):  # type: ignore[no-untyped-def]
    """Bring one depot's week from what was expected there to what is heard there."""
    place.prior_variance = place.depot_variance + move
    place.season, place.depot_variance = place.prior, place.prior_variance
    first, last = heard.start[depot], heard.start[depot + 1]
    if last > first:
        x, variance = heard.x[first:last], heard.variance[first:last]
        place.mean, place.weight, place.centre = robust_mean(x, variance)
        place.count = last - first
        if place.weight > 0:
            gap = place.mean - place.prior
            leaps = is_doubtless(place.prior_variance, 1 / place.weight, gap, place.count)
            if leaps and not is_shared(x - place.prior, variance, gap):  # some of them alone: no weather does that
                place.mean, place.weight, place.centre = mean_about(x, variance, place.prior)
                gap = place.mean - place.prior
            if place.weight > 0:  # else none of them lies where the depot was: nobody tells of it
                moves = believed(place.prior_variance, 1 / place.weight, gap, place.count)
                gain = moves / (moves + 1 / place.weight)
                place.season += gain * gap
                place.depot_variance = moves * (1 - gain)


@numba.njit(cache=True, nogil=True)
def _follow_peers(rows, known, heard, w, depot):  # type: ignore[no-untyped-def]
    """Take what was heard at a depot into its vehicles' own levels."""
    season = known.weeks[w, depot].season
    for i in range(heard.start[depot], heard.start[depot + 1]):
        r = heard.row[i]
        peer = known.peers[rows.vehicle[r]]
        if rows.epoch[r] == peer.epoch:
            peer.total += rows.x[r] - peer.level - season
            peer.count += 1


@numba.njit(cache=True, nogil=True)
def run_rows(rows, model, known, first, row_start, season, variance):  # type: ignore[no-untyped-def]  # noqa: C901, PLR0917 - one pass over the rows
    """Season at each vehicle's rows from `first` on, from other vehicles' rows up to the end of the row's week.

    Args:
        rows: `Rows`; where it was not read, the season is left as it was.
        model: `Model`.
        known: `Known`; peers as they stand before row `first`, left alone; levels [1 or V, W, G] and weeks
            [1 or V, W, D]: for all, or for each vehicle its own, without it.
        first: [V] first row of each vehicle that is wanted, at a week's start.
        row_start: [V + 1].
        season: [R] output, with the level of the vehicle's group.
        variance: [R] output, error variance of the season.
    """
    x, week, group, epoch = rows.x, rows.week, rows.group, rows.epoch
    reached = np.empty(len(x))
    for v in range(len(row_start) - 1):
        weeks = known.weeks[v] if len(known.weeks) > 1 else known.weeks[0]
        levels = known.levels[v] if len(known.levels) > 1 else known.levels[0]
        peer = known.peers[v]
        total, count, now, level, placed = peer.total, peer.count, peer.epoch, peer.level, peer.placed
        opened = first[v]
        for r in range(first[v], row_start[v + 1]):
            if week[r] != week[opened]:
                for i in range(opened, r):
                    if not np.isnan(x[i]) and rows.settled[i] and epoch[i] == now:
                        total += x[i] - reached[i] - weeks[week[i], rows.depot[i]].season
                        count += 1
                opened = r
            if placed and r > row_start[v] and group[r] != group[r - 1]:
                level += levels[week[r], group[r]] - levels[week[r], group[r - 1]]
            if not placed and not np.isnan(x[r]):
                level += levels[week[r], group[r]]
                placed = True
            reached[r] = level
            if np.isnan(x[r]):
                season[r] += level if placed else levels[week[r], group[r]]
                continue
            if epoch[r] != now:
                now = epoch[r]
                total = count = 0.0
            here = weeks[week[r], rows.depot[r]]
            season[r] = here.season + level
            variance[r] = here.depot_variance + here.family_variance
            if here.weight > 0:
                noise = model.noise[rows.block[r]]
                shrink = count + noise / model.level[rows.block[r]]
                d = x[r] - level - total / shrink
                d_variance = noise * (1 + 1 / shrink)
                if now > 0 and count < SILENT:
                    d_variance *= UNHEARD
                weight = peer_weight(d, d_variance, here.centre) if rows.settled[r] and known.shared else 0.0
                gone, left = _without(here, weight, d)
                season[r] = here.prior + level + gone
                variance[r] = left + here.family_variance


@numba.njit(cache=True, nogil=True)
def _without(place, weight, d):  # type: ignore[no-untyped-def]
    """How far a depot's week moved the season but for one reading d of this weight, and the variance that is left."""
    others = place.weight - weight
    if others > 1e-12 * place.weight:
        gap = (place.weight * place.mean - weight * d) / others - place.prior
        moves = believed(place.prior_variance, 1 / others, gap, place.count - 1)
        gain = moves / (moves + 1 / others)
        return gain * gap, moves * (1 - gain)
    return 0.0, place.prior_variance
