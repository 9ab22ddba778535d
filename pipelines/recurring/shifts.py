"""By how much a new calibration moved the corrections of those that got it: panels in, shifts with limits out.

Vehicles get a calibration at different times, so that what a depot's vehicles do in a week (weather, fuel) parts from
what the calibration does: each reading is its vehicle's level, its depot's week, and the shift if it has the new one.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from scipy.stats import t as students

from pipelines.handover import Bools, Drift, FamilyDrift, Float64s, Int64s, Panel
from pipelines.recurring.around import median_read

SETTLING_DAYS = 21.0  # after the update, while it is learned (judgement: learning is hours to some weeks)
BEFORE_DAYS = 120.0  # before the first vehicle got it (judgement)
AFTER_DAYS = 240.0  # after it (judgement)
LEAST_VEHICLES = 5  # read with both, before anything is said (judgement)
SAMPLE = 300  # vehicles that got it and as many that did not; the error hardly falls with more (judgement)
CUT = 4.0  # robust scatters beyond which a reading, or a vehicle's own movement, counts no further (judgement)
SWEEPS = 12  # of taking vehicles' and weeks' means off in turn; residuals then change in the fourth figure
CONFIDENCE = 0.95
SCHEMA = pl.Schema(
    {
        "engine_family": pl.String(), "calibration_from": pl.String(), "calibration_to": pl.String(),
        "correction": pl.String(), "shift": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
        "scatters": pl.Float64(), "vehicles": pl.Int64(),
    }
)  # fmt: skip


def calibration_shifts(drift: Drift, *, seed: int, without: Collection[str] = ()) -> pl.DataFrame:
    """What each update moved, with 95 % limits, the clearest first within an update.

    Least squares with a level for each vehicle and for each week of a depot; errors are clustered by vehicle (Liang and
    Zeger 1986, Biometrika 73, 13-22), readings and vehicles that stray are cut at CUT robust scatters.

    Args:
        drift: Readings of every family.
        seed: Chooses the sample of large fleets.
        without: Families that are left out.

    Returns:
        SCHEMA: `shift, low, high` in the correction's unit, `scatters` the shift in healthy scatters, `vehicles` that
        were read with both.
    """
    rows: list[tuple[object, ...]] = []
    for family in drift.families:
        panel = family.panel
        for old, new in () if panel.family in without else _updates(panel):
            read = _chosen(family, old, new, seed)
            if read is None:
                continue
            shift, error, vehicles = _shift(read)
            half = students.isf((1 - CONFIDENCE) / 2, max(vehicles - 1, 1)) * error
            said = sorted(
                (c for c in range(len(panel.codes)) if error[c] > 0), key=lambda c: (-abs(shift[c]) / error[c], c)
            )
            rows += [
                (
                    panel.family, panel.calibrations[old], panel.calibrations[new], panel.codes[c], shift[c],
                    shift[c] - half[c], shift[c] + half[c], shift[c] / max(float(family.sigma[c]), 1e-12), vehicles,
                )
                for c in said
            ]  # fmt: skip
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _updates(panel: Panel) -> Iterator[tuple[int, int]]:
    """Calibrations that followed each other on LEAST_VEHICLES, in their order."""
    vehicle = _vehicle_of_rows(panel)
    changed = np.flatnonzero((vehicle[1:] == vehicle[:-1]) & (panel.calibration[1:] != panel.calibration[:-1])) + 1
    pairs = np.column_stack((panel.calibration[changed - 1], panel.calibration[changed]))
    for old, new in np.unique(pairs, axis=0).tolist():
        mine = changed[(pairs == (old, new)).all(axis=1)]
        if panel.calibrations[old] and panel.calibrations[new] and len(np.unique(vehicle[mine])) >= LEAST_VEHICLES:
            yield old, new


@dataclass(frozen=True, kw_only=True)
class _Read:
    """Settled readings around one update, [n] each, sorted by vehicle."""

    values: Float64s  # [n, C]; NaN: not read
    vehicle: Int64s
    week: Int64s  # a depot's
    has_it: Bools


def _chosen(family: FamilyDrift, old: int, new: int, seed: int) -> _Read | None:
    panel = family.panel
    vehicle = _vehicle_of_rows(panel)
    of_new = panel.calibration == new
    first = panel.read_at[of_new].min()
    begun = np.full(len(panel.vehicles), np.datetime64("NaT"), dtype="datetime64[us]")
    begun[vehicle[of_new][::-1]] = panel.read_at[of_new][::-1]
    settled = ~of_new | ((panel.read_at - begun[vehicle]) / np.timedelta64(1, "D") >= SETTLING_DAYS)
    days = (panel.read_at - first) / np.timedelta64(1, "D")
    near = (days >= -BEFORE_DAYS) & (days <= AFTER_DAYS)
    use = ((panel.calibration == old) | of_new) & settled & near & (family.relearning.mean(axis=1) < 1 / 2)
    count = [np.bincount(vehicle[use & which], minlength=len(panel.vehicles)) for which in (of_new, ~of_new)]
    both = np.flatnonzero((count[0] >= 2) & (count[1] >= 2))
    if len(both) < LEAST_VEHICLES:
        return None
    others = np.flatnonzero((count[0] == 0) & (count[1] >= 2))
    draw = np.random.default_rng(seed)
    taken = np.zeros(len(panel.vehicles), dtype=bool)
    for some in (both, others):
        taken[draw.permutation(some)[:SAMPLE]] = True
    rows = np.flatnonzero(use & taken[vehicle])
    weeks = (panel.read_at[rows] - first) // np.timedelta64(7, "D")
    return _Read(
        values=panel.values[rows].astype(np.float64),
        vehicle=np.unique(vehicle[rows], return_inverse=True)[1],
        week=np.unique(weeks.astype(np.int64) * (len(panel.depots) + 1) + panel.depot[rows], return_inverse=True)[1],
        has_it=of_new[rows],
    )


def _vehicle_of_rows(panel: Panel) -> Int64s:
    return np.repeat(np.arange(len(panel.vehicles)), np.diff(panel.row_start))


def _shift(read: _Read) -> tuple[Float64s, Float64s, int]:
    """Shift and its standard error, [C] each (error 0: not told), and how many vehicles were read with both."""
    side = read.vehicle * 2 + read.has_it
    values = _cut(read.values, side)
    has_it = read.has_it.astype(np.float64)[:, None]
    own = _swept(has_it, read)[:, 0]
    worth = float(own @ own)
    both = np.unique(read.vehicle[read.has_it & np.isin(read.vehicle, read.vehicle[~read.has_it])])
    if worth <= 0:
        nothing = np.zeros(values.shape[1])
        return nothing, nothing, len(both)
    swept = _swept(values, read)
    shift = own @ swept / worth
    left = swept - own[:, None] * shift
    by_vehicle = _sums(own[:, None] * left, read.vehicle)
    groups = len(by_vehicle)
    error = np.sqrt((by_vehicle**2).sum(axis=0) * groups / max(groups - 1, 1)) / worth
    return shift, np.where(np.isnan(read.values).all(axis=0), 0.0, error), len(both)


def _cut(values: Float64s, side: Int64s) -> Float64s:
    """Values with what was not read filled by its vehicle's level, and with what strays cut: readings, then vehicles.

    A vehicle's level is that of one side of the update; how far it moved between both is cut about how far all moved.
    """
    sides, at = np.unique(side, return_inverse=True)
    level = _medians(values, at)
    overall = np.nanmedian(np.where(np.isnan(values).all(axis=0), 0.0, values), axis=0)
    level = np.where(np.isnan(level), overall, level)
    away = np.nan_to_num(values - level[at])
    reach = CUT * 1.4826 * np.median(np.abs(away), axis=0) + 1e-12
    paired = np.flatnonzero((np.diff(sides) == 1) & (sides[:-1] % 2 == 0))
    moved = level[paired + 1] - level[paired]
    middle = np.median(moved, axis=0)
    spread = CUT * 1.4826 * np.median(np.abs(moved - middle), axis=0) + 1e-12
    level[paired + 1] += np.clip(moved, middle - spread, middle + spread) - moved
    cut: Float64s = level[at] + np.clip(away, -reach, reach)
    return cut


def _medians(values: Float64s, group: Int64s) -> Float64s:
    """Median of each group, [groups, C]; NaN: not read. Groups are runs."""
    bounds = np.append(np.flatnonzero(np.diff(group, prepend=-1)), len(group))
    found = np.full((len(bounds) - 1, values.shape[1]), np.nan)
    for number, (begin, end) in enumerate(pairwise(bounds.tolist())):
        found[number] = median_read(values[begin:end])
    return found


def _swept(values: Float64s, read: _Read) -> Float64s:
    """Values without their vehicles' and their weeks' means."""
    left = values.copy()
    for _ in range(SWEEPS):
        for group in (read.vehicle, read.week):
            count = np.bincount(group)[:, None]
            left -= (_sums(left, group) / count)[group]
    return left


def _sums(values: Float64s, group: Int64s) -> Float64s:
    order = np.argsort(group, kind="stable")
    begin = np.flatnonzero(np.diff(group[order], prepend=-1))
    sums: Float64s = np.add.reduceat(values[order], begin, axis=0)
    return sums
