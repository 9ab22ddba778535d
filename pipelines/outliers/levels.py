"""Where each vehicle's own level lies among those of its peers; `FamilyDrift` in, sigmas out.

The drift stage holds a vehicle against its own past. A defect that stood before the record began is part of that past,
and its repair looks like straying. So each expected value is compared with what the peers are expected to read in the
same week, on the same calibration, in the same depot, at the same kilometres.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.order import quantile
from pipelines.handover import FamilyDrift, Float32s, Float64s, Int64s
from pipelines.outliers.panel_rows import last_rows, vehicle_of_row
from pipelines.threads import in_threads

NEWEST_WEEKS = 5  # a vehicle counts among the peers of a week if it was read in so many weeks up to it
DEPOT_VEHICLES = 5.0  # a depot's own level counts as much as its family's from so many vehicles on
FEWEST_PAIRS = 20  # pairs of vehicles from which ageing is learned
LARGEST_KM = 0.98  # kilometres above this quantile of the vehicles' count as this: misread odometers do not age


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Vehicles that are compared with each other.

    Attributes:
        rows: Newest readings, sorted by cell.
        starts: Cell k holds rows[starts[k]:starts[k + 1]].
        of_row: The cell of each of the family's rows, [R].
    """

    rows: Int64s
    starts: Int64s
    of_row: Int64s


def own_offsets(family: FamilyDrift) -> Float32s:
    """Each vehicle's own expected level less its peers', in sigmas, [R, C]; NaN before the first reading."""
    panel = family.panel
    aged = _kilometres(family)
    slopes = _ageing(family, aged)
    wide, narrow = _cells(family)
    offsets = np.empty((len(panel.codes), len(panel.read_at)), dtype=np.float32)

    def fill(c: int) -> None:
        level = (family.expected[:, c] - slopes[c] * aged) / family.sigma[c]
        of_family, _ = _median_of_cells(level, wide.rows, wide.starts)
        of_depot, vehicles = _median_of_cells(level, narrow.rows, narrow.starts)
        weight = vehicles / (vehicles + DEPOT_VEHICLES)
        centre = of_family[wide.of_row]
        centre = centre + np.nan_to_num(weight[narrow.of_row] * (of_depot[narrow.of_row] - centre))
        offsets[c] = np.where(np.isfinite(centre), level - centre, np.where(np.isfinite(level), 0.0, np.nan))

    in_threads(fill, range(len(panel.codes)))
    return offsets.T


def _kilometres(family: FamilyDrift) -> Float64s:
    """[R] kilometres for ageing; where they are not known, the family's median."""
    km = family.panel.km
    known = km[np.isfinite(km)]
    if not known.size:
        return np.zeros(len(km))
    newest = km[last_rows(family)]
    most = np.nanquantile(newest, LARGEST_KM) if np.isfinite(newest).any() else known.max()
    filled: Float64s = np.minimum(np.where(np.isfinite(km), km, np.median(known)), most)
    return filled


def _ageing(family: FamilyDrift, km: Float64s) -> Float64s:
    """[C] rise of the expected level per km, from vehicles of one calibration; 0 where too few tell.

    Source: Theil (1950), A rank-invariant method of linear and polynomial regression analysis, incomplete method.
    """
    rows = last_rows(family)
    pairs = []
    for calibration in np.unique(family.panel.calibration[rows]):
        same = rows[family.panel.calibration[rows] == calibration]
        ordered = same[np.argsort(km[same], kind="stable")]
        half = len(ordered) // 2
        pairs.append(np.stack([ordered[:half], ordered[len(ordered) - half :]]))
    young, old = np.concatenate(pairs, axis=1)
    apart = km[old] > km[young]
    if apart.sum() < FEWEST_PAIRS:
        return np.zeros(len(family.panel.codes))
    young, old = young[apart], old[apart]
    rise = (family.expected[old] - family.expected[young]) / (km[old] - km[young])[:, None]
    read = np.isfinite(rise).sum(axis=0) >= FEWEST_PAIRS
    slopes: Float64s = np.where(read, np.nanmedian(np.where(read, rise, 0.0), axis=0), 0.0)
    return slopes


def _cells(family: FamilyDrift) -> tuple[Cells, Cells]:
    """Who is compared with whom: the newest readings of each week by calibration, and the same by depot."""
    panel = family.panel
    week = panel.read_at.astype("datetime64[D]").astype(np.int64) // 7
    week -= week.min()
    newest = np.full((int(week.max()) + 1, len(panel.vehicles)), -1, dtype=np.int64)
    newest[week, vehicle_of_row(family)] = np.arange(len(week))
    newest = np.maximum.accumulate(newest, axis=0)
    at, vehicle = np.nonzero(newest >= 0)
    rows = newest[at, vehicle]
    recent = week[rows] > at - NEWEST_WEEKS
    at, rows = at[recent], rows[recent]
    calibrations, depots = len(panel.calibrations), len(panel.depots)

    def cells(kinds: int, kind: Int64s) -> Cells:
        cell = at * kinds + kind[rows]
        return Cells(
            rows=rows[np.argsort(cell, kind="stable")],
            starts=np.concatenate([[0], np.cumsum(np.bincount(cell, minlength=len(newest) * kinds))]),
            of_row=week * kinds + kind,
        )

    calibration = panel.calibration.astype(np.int64)
    return cells(calibrations, calibration), cells(calibrations * depots, calibration * depots + panel.depot)


@numba.njit(cache=True, nogil=True)
def _median_of_cells(
    level: Float64s, rows: Int64s, starts: Int64s
) -> tuple[Float64s, Float64s]:  # pragma: no cover - compiled
    """Median level of each cell, NaN where none was read, and of how many."""
    median = np.full(len(starts) - 1, np.nan)
    count = np.zeros(len(starts) - 1)
    held = np.empty(len(rows), dtype=level.dtype)
    for cell in range(len(starts) - 1):
        n = 0
        for i in range(starts[cell], starts[cell + 1]):
            if not np.isnan(level[rows[i]]):
                held[n] = level[rows[i]]
                n += 1
        if n:
            median[cell] = quantile(held[:n], 0.5)
            count[cell] = n
    return median, count
