"""Where each vehicle's own level lies among those of its peers; `FamilyDrift` in, sigmas out.

The drift stage holds a vehicle against its own past. A defect that stood before the record began is part of that past,
and its repair looks like straying. So each expected value is compared with what the peers are expected to read in the
same week, on the same calibration, in the same depot, at the same kilometres.
"""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.bands.order import quantile
from pipelines.handover import Bools, FamilyDrift, Float32s, Float64s, Int64s
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
        starts: The k-th cell that has any holds rows[starts[k]:starts[k + 1]].
        names: [K] of those cells, in order.
    """

    rows: Int64s
    starts: Int64s
    names: Int64s


@dataclass(frozen=True, kw_only=True)
class PeerLevels:
    """What a family's vehicles are expected to read, in sigmas, and how they age, as others are held against it.

    Attributes:
        slopes: [C] rise of the expected level per km.
        usual_km: That counts where a vehicle's are not known; most_km: above which none count.
        week: Of the first reading, and how many there are.
        calibrations, depots: By which cells are numbered.
        wide, narrow: [K] names of cells, by week and calibration, and by depot too.
        of_family, of_depot: [K, C] median level of each cell.
        vehicles: [K, C] of how many, of the narrow ones.
    """

    slopes: Float64s
    usual_km: float
    most_km: float
    week: tuple[int, int]
    calibrations: tuple[str, ...]
    depots: tuple[str, ...]
    wide: Int64s
    narrow: Int64s
    of_family: Float64s
    of_depot: Float64s
    vehicles: Float64s


def own_offsets(family: FamilyDrift, levels: PeerLevels | None = None) -> Float32s:
    """Each vehicle's own expected level less its peers', in sigmas, [R, C]; NaN before the first reading.

    Args:
        family: Drift.
        levels: Of the peers; None: as these vehicles show them.
    """
    levels = levels or peer_levels(family)
    panel = family.panel
    aged = _kilometres(family, levels.usual_km, levels.most_km)
    week = np.clip(_weeks(family) - levels.week[0], 0, levels.week[1] - 1)
    calibration = _places(panel.calibrations, levels.calibrations)[panel.calibration]
    depot = _places(panel.depots, levels.depots)[panel.depot]
    wide = week * len(levels.calibrations) + calibration
    of_wide = _found(levels.wide, wide, known=calibration >= 0)
    narrow = wide * len(levels.depots) + depot
    of_narrow = _found(levels.narrow, narrow, known=(of_wide >= 0) & (depot >= 0))
    offsets = np.empty((len(panel.codes), len(panel.read_at)), dtype=np.float32)

    def fill(c: int) -> None:
        level = (family.expected[:, c] - levels.slopes[c] * aged) / family.sigma[c]
        of_family, of_depot = np.append(levels.of_family[:, c], np.nan), np.append(levels.of_depot[:, c], np.nan)
        vehicles = np.append(levels.vehicles[:, c], 0.0)
        weight = vehicles / (vehicles + DEPOT_VEHICLES)
        centre = of_family[of_wide]
        centre = centre + np.nan_to_num(weight[of_narrow] * (of_depot[of_narrow] - centre))
        offsets[c] = np.where(np.isfinite(centre), level - centre, np.where(np.isfinite(level), 0.0, np.nan))

    in_threads(fill, range(len(panel.codes)))
    return offsets.T


def peer_levels(family: FamilyDrift) -> PeerLevels:
    """What a family's vehicles are expected to read, week by week."""
    panel = family.panel
    usual, most = _usual_kilometres(family)
    aged = _kilometres(family, usual, most)
    slopes = _ageing(family, aged)
    wide, narrow = _cells(family)
    of_family = np.empty((len(panel.codes), len(wide.names)))
    of_depot, vehicles = np.empty((2, len(panel.codes), len(narrow.names)))

    def fill(c: int) -> None:
        level = (family.expected[:, c] - slopes[c] * aged) / family.sigma[c]
        of_family[c], _ = _median_of_cells(level, wide.rows, wide.starts)
        of_depot[c], vehicles[c] = _median_of_cells(level, narrow.rows, narrow.starts)

    in_threads(fill, range(len(panel.codes)))
    week = _weeks(family)
    first = int(week.min()) if len(week) else 0
    return PeerLevels(
        slopes=slopes, usual_km=usual, most_km=most, week=(first, int(week.max(initial=first)) - first + 1),
        calibrations=panel.calibrations, depots=panel.depots, wide=wide.names, narrow=narrow.names,
        of_family=of_family.T, of_depot=of_depot.T, vehicles=vehicles.T,
    )  # fmt: skip


def _weeks(family: FamilyDrift) -> Int64s:
    """[R] since 1970."""
    weeks: Int64s = family.panel.read_at.astype("datetime64[D]").astype(np.int64) // 7
    return weeks


def _places(names: tuple[str, ...], known: tuple[str, ...]) -> Int64s:
    """Where each name stands among those known; -1: nowhere."""
    place = {name: index for index, name in enumerate(known)}
    return np.array([place.get(name, -1) for name in names], dtype=np.int64)


def _found(names: Int64s, asked: Int64s, *, known: Bools) -> Int64s:
    """[n] where each cell stands among some; -1: nowhere."""
    if not len(names):
        return np.full(len(asked), -1)
    place = np.minimum(np.searchsorted(names, asked), len(names) - 1)
    return np.where(known & (names[place] == asked), place, -1)


def _usual_kilometres(family: FamilyDrift) -> tuple[float, float]:
    """What counts where kilometres are not known, and above which none count."""
    km = family.panel.km
    known = km[np.isfinite(km)]
    if not known.size:
        return 0.0, 0.0
    newest = km[last_rows(family)]
    most = np.nanquantile(newest, LARGEST_KM) if np.isfinite(newest).any() else known.max()
    return float(np.median(known)), float(most)


def _kilometres(family: FamilyDrift, usual: float, most: float) -> Float64s:
    """[R] kilometres for ageing; where they are not known, the usual ones."""
    km = family.panel.km
    filled: Float64s = np.minimum(np.where(np.isfinite(km), km, usual), most)
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
    week = _weeks(family)
    week = week - week.min()
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
        order = np.argsort(cell, kind="stable")
        names, first = np.unique(cell[order], return_index=True)
        return Cells(rows=rows[order], starts=np.append(first, len(order)), names=names)

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
