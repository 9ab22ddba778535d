"""What healthy deviations look like at their newest row: their scatter in one family; arrays in, arrays out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.handover import Bools, FamilyDrift, Float64s, Int32s, Int64s

REFERENCE_DAYS = 28  # between two reference readings of a vehicle, so that they are nearly independent
WARM_UP = 8  # readings of a vehicle before the first reference
NEWEST = 6  # readings of a vehicle after the last reference: what it has now is not what is healthy
USUAL_SD = 0.6  # sd of a smoothed deviation in sigmas where too few references say otherwise (judgement)
PRIOR_REFERENCES = 20.0  # references that the usual sd and 'no correlation' are worth
MOST_ROWS = 20_000  # reference readings of a family that are used: a 90th percentile then lies within half a per cent
FEWEST_PEERS = 5  # vehicles that can tell what all of them show now
FEWEST_TELL = 10  # vehicles of which eight in ten tell what is healthy, whatever one or two of them have (judgement)
PEERS_WORTH = 3.0  # vehicles that 'they show nothing in common' is worth (judgement)
LEAST_CORRELATION = 0.2  # below it corrections count as moving on their own


def newest_deviations(family: FamilyDrift) -> Float64s:
    """Each vehicle's newest `z` without what all peers show now, [V, C]; NaN: not read or relearning."""
    panel = family.panel
    newest = panel.row_start[1:] - 1
    z = family.z[newest].astype(np.float64)
    z[family.relearning[newest]] = np.nan
    return z - common_movement(z, panel.depot[newest], panel.depots).of(panel.depot[newest], panel.depots)


@dataclass(frozen=True, kw_only=True)
class CommonMovement:
    """What all peers show now: of the family [C], and what the vehicles of a depot show beside it."""

    of_family: Float64s
    of_depot: Mapping[str, Float64s]

    def of(self, depot: Int32s, depots: Sequence[str]) -> Float64s:
        """[V, C] for vehicles at depots, by index and name."""
        beside = np.array([self.of_depot.get(name, np.zeros_like(self.of_family)) for name in depots])
        common: Float64s = self.of_family + beside.reshape(len(depots), len(self.of_family))[depot]
        return common


def common_movement(z: Float64s, depot: Int32s, depots: Sequence[str]) -> CommonMovement:
    """What all peers show now: the median of the family and then of the depot, drawn to 0 where few tell it.

    Weather or fuel of the last days that the bands have not yet learned, and no vehicle's defect.

    Args:
        z: [V, C] newest deviations; NaN: not judged.
        depot: [V] index.
        depots: Their names.
    """
    of_family = _shown_by_peers(z)
    beside = {depots[place]: _shown_by_peers(z[depot == place] - of_family) for place in np.unique(depot)}
    return CommonMovement(of_family=of_family, of_depot=beside)


def _shown_by_peers(z: Float64s) -> Float64s:
    """Median over vehicles, drawn to 0 where few tell it, [C]."""
    told = np.sum(~np.isnan(z), axis=0)
    common: Float64s = np.nanmedian(np.where(told > 0, z, 0.0), axis=0) * told / (told + PEERS_WORTH)
    return np.where(told >= FEWEST_PEERS, common, 0.0)


def deviation_noise(family: FamilyDrift) -> tuple[Float64s, Float64s]:
    """Standard deviation of each correction's `z` without a defect, [C], above 0: now, and as it was before.

    Robust: from the 90th percentile of its size at reference readings, drawn towards USUAL_SD where they are few, or
    the middle 80 % of what peers show now where that is wider. Corrections that move together in health (all trims,
    all knock retards) speak for each other less: the variance is raised by half of what their common movement takes
    from their joint evidence, since a signature that sets them apart loses none.
    """
    rows = _reference_rows(family)
    z = family.z[rows].astype(np.float64)
    z[family.relearning[rows] | family.alarm[rows] | np.isnan(family.panel.values[rows])] = np.nan
    before = drawn(z, 0.9, 1.645)
    now = np.maximum(before, scatter_now(newest_deviations(family)))
    together = np.sqrt(1.0 + 0.5 * _moving_together(z / now))
    return now * together, before * together


def scatter_now(z: Float64s) -> Float64s:
    """[C] sd of most vehicles' deviations now; 0 where too few vehicles tell it from what one of them has."""
    told = np.sum(~np.isnan(z), axis=0)
    return np.where(told >= FEWEST_TELL, drawn(z, 0.8, 1.282), 0.0)


def drawn(z: Float64s, share: float, normal_quantile: float) -> Float64s:
    """Standard deviation from a quantile of the size, drawn towards USUAL_SD where values are few, [C]."""
    count = np.sum(~np.isnan(z), axis=0)
    size = np.abs(np.where(count > 0, z, 0.0))
    scale = np.nanquantile(size, share, axis=0) / normal_quantile if len(z) else np.zeros(z.shape[1])
    sd: Float64s = np.sqrt((count * scale**2 + PRIOR_REFERENCES * USUAL_SD**2) / (count + PRIOR_REFERENCES))
    return sd


def _moving_together(unit: Float64s) -> Float64s:
    """Sum of each correction's positive correlations with the others, those told from chance, [C]."""
    clipped = np.clip(np.nan_to_num(unit), -3.0, 3.0)
    read = (~np.isnan(unit)).astype(np.float64)
    pairs = read.T @ read
    norm = np.sqrt((clipped**2).T @ read * (read.T @ clipped**2))
    correlation = np.divide(clipped.T @ clipped, norm, out=np.zeros_like(norm), where=norm > 0)
    correlation *= pairs / (pairs + PRIOR_REFERENCES)
    np.fill_diagonal(correlation, 0.0)
    summed: Float64s = np.where(correlation > LEAST_CORRELATION, correlation, 0.0).sum(axis=1)
    return summed


def _reference_rows(family: FamilyDrift) -> Int64s:
    """Rows at least REFERENCE_DAYS apart within a vehicle, after its first readings and before its newest."""
    panel = family.panel
    if not len(panel.read_at):
        return np.zeros(0, dtype=np.int64)
    vehicle = np.repeat(np.arange(len(panel.vehicles)), np.diff(panel.row_start))
    since_first = np.arange(len(vehicle)) - panel.row_start[vehicle]
    period = (panel.read_at.astype("datetime64[D]").astype(np.int64)) // REFERENCE_DAYS
    new_period: Bools = np.append(True, (np.diff(period) > 0) | (np.diff(vehicle) > 0))
    to_newest = panel.row_start[vehicle + 1] - 1 - np.arange(len(vehicle))
    rows = np.flatnonzero(new_period & (since_first >= WARM_UP) & (to_newest >= NEWEST))
    return rows[:: max(len(rows) // MOST_ROWS, 1)]
