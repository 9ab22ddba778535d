"""A reader that hands on old values: corrections the same to the last digit, while the module's clock ran.

One correction that stands still is a module that does not learn; so is a group of one vehicle's, which a stored fault
may hold. Told is a reading of which nearly everything stands still, or a group that stands still on several vehicles of
a file at once, by what standing still by chance would cost.
"""

from collections.abc import Mapping, Sequence

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s
from pipelines.held.finding import REPEATED, Finding
from pipelines.held.levels import without_held
from pipelines.held.readings import Measured, Readings
from pipelines.threads import in_threads

LEAST_COLUMNS = 5  # that stand still together
NEARLY_ALL = 0.9  # of the corrections read
SURE = 25.0  # nats against chance, of readings that follow each other
SURE_OF_GROUP = 40.0  # of a part of the corrections, over readings that follow each other
IN_A_ROW = 2  # readings in which such a group repeats, at least
VEHICLES = 3  # of a file and depot that show it, or a vehicle's module may be to blame
RAN_HOURS, RAN_KM = 2.0, 60.0  # since the reading before: then values are learned
PRIOR = 20.0  # readings' worth of the fleet's share of repeats, beside the vehicle's own


def repeated_readings(readings: Readings, held: Mapping[str, Int64s]) -> list[Finding]:
    """What looks like old values, one finding per file and depot.

    Args:
        readings: All that is known.
        held: Column -> rows that are held already, and are not judged.
    """
    columns = [column for column in readings.measured if column.is_correction]
    if len(columns) < LEAST_COLUMNS:
        return []
    ran = _ran(readings)
    counts = _counts(readings, columns, held, ran)
    same, read, nats, group, group_nats = counts
    whole = (same >= LEAST_COLUMNS) & (same >= NEARLY_ALL * read)
    whole &= _of_run(np.where(whole, nats, 0), whole) > 64 * SURE
    some = (group >= LEAST_COLUMNS) & (group_nats > 64 * SURE_OF_GROUP)
    rows = np.flatnonzero(whole | _on_several_vehicles(readings, some))
    return _by_batch(readings, columns, held, rows)


def _telling(readings: Readings, column: Measured, held: Mapping[str, Int64s]) -> Float64s:
    """[R] values that do not stand still for a reason of their own: at neutral after a reset, or at a limit."""
    x = without_held(readings.values(column.name), held.get(column.name))
    at_rest = (x == column.neutral) | (x <= column.low + column.step) | (x >= column.high - column.step)
    return np.where(at_rest, np.nan, x)


def _of_run(nats: Int64s, within: Bools) -> Int64s:
    """[R] what the readings of a run say together, for each of them; a run has no other reading in it."""
    run = np.cumsum(~within)
    return np.where(within, np.bincount(run, weights=nats)[run], 0).astype(np.int64)


def _ran(readings: Readings) -> Bools:
    """[R] the module's clock ran since the reading before; by the odometer where there is no clock."""
    hours, km = (np.diff(readings.values(name), prepend=np.nan) for name in ("ignition_hours", "odometer_km"))
    ran = np.where(np.isnan(hours), km >= RAN_KM, hours >= RAN_HOURS)
    ran[readings.start[:-1]] = False
    return ran


@numba.njit(cache=True, nogil=True)
def _tally(x, ran, begin, end):  # type: ignore[no-untyped-def]
    """How many readings of some rows can repeat the one before, and how many do."""
    pairs, repeats = 0, 0
    for r in range(begin + 1, end):
        if ran[r] and not np.isnan(x[r]) and not np.isnan(x[r - 1]):
            pairs += 1
            repeats += x[r] == x[r - 1]
    return pairs, repeats


@numba.njit(cache=True, nogil=True)
def _count(x, start, ran, sums, group, group_nats):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Add one correction [R] to what repeats: sums [3, R] of repeats, pairs read, nats (64ths); groups the same."""
    pairs, repeats = 0, 0
    for v in range(len(start) - 1):
        mine, same = _tally(x, ran, start[v], start[v + 1])
        pairs, repeats = pairs + mine, repeats + same
    if pairs == 0:
        return
    usual = (repeats + 1.0) / (pairs + 2.0)
    for v in range(len(start) - 1):
        mine, same = _tally(x, ran, start[v], start[v + 1])
        chance = (same + PRIOR * usual) / (mine + PRIOR)
        cost, streak = int(-np.log(chance) * 64), 0
        for r in range(start[v] + 1, start[v + 1]):
            if np.isnan(x[r]) or np.isnan(x[r - 1]) or not ran[r]:
                streak = 0
                continue
            sums[1, r] += 1
            streak = streak + 1 if x[r] == x[r - 1] else 0
            if streak:
                sums[0, r] += 1
                sums[2, r] += cost
            if streak >= IN_A_ROW:
                group[r] += 1
                group_nats[r] += IN_A_ROW * cost


def _counts(
    readings: Readings, columns: Sequence[Measured], held: Mapping[str, Int64s], ran: Bools
) -> tuple[Int64s, Int64s, Int64s, Int64s, Int64s]:
    """[R] corrections that repeat, corrections read twice, nats (64ths), and of groups that repeat again the same."""

    def of(some: Sequence[Measured]) -> tuple[Int64s, Int64s, Int64s]:
        sums = np.zeros((3, readings.rows), np.int64)
        group, nats = np.zeros(readings.rows, np.int64), np.zeros(readings.rows, np.int64)
        for column in some:
            x = _telling(readings, column, held)
            _count(x, readings.start, ran, sums, group, nats)
        return sums, group, nats

    (one, group, nats), (two, others, more) = in_threads(of, [columns[::2], columns[1::2]])
    sums = one + two
    return sums[0], sums[1], sums[2], group + others, nats + more


def _on_several_vehicles(readings: Readings, rows: Bools) -> Bools:
    """Of the rows those in a file and depot, or of a reader, in which several vehicles have such."""
    at = np.flatnonzero(rows)
    load, vehicle = readings.load(corrections=True)[at], readings.vehicle[at]
    batch = np.stack([load, readings.depot[vehicle], readings.reader[at]], axis=1)
    kept = np.zeros(readings.rows, np.bool_)
    for one in np.unique(batch, axis=0):
        mine = (batch == one).all(axis=1)
        if len(np.unique(vehicle[mine])) >= VEHICLES:
            kept[at[mine]] = True
    return kept


def _by_batch(
    readings: Readings, columns: Sequence[Measured], held: Mapping[str, Int64s], rows: Int64s
) -> list[Finding]:
    """Findings of the corrections that repeat in some rows; those that move are not held."""
    if not len(rows):
        return []
    load, depot = readings.load(corrections=True)[rows], readings.depot[readings.vehicle[rows]]
    same: dict[str, Float64s] = {}
    for column in columns:
        x = _telling(readings, column, held)
        same[column.name] = x[rows] == x[rows - 1]
    found = []
    for one, where in np.unique(np.stack([load, depot], axis=1), axis=0):
        mine = (load == one) & (depot == where)
        cells = {name: rows[mine & repeats] for name, repeats in same.items() if (mine & repeats).any()}
        found.append(
            Finding(
                looks_like=REPEATED, load_id=int(one), depot=readings.depots[int(readings.vehicle[rows[mine][0]])],
                rows=rows[mine], sure=SURE, cells=cells,
            )
        )  # fmt: skip
    return found
