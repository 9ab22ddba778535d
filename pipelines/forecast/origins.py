"""When a forecast could have been made: weekly origins in the past of every vehicle, and now."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.forecast.outcomes import SPAN, Record
from pipelines.handover import Drift, FamilyDrift, Float64s, Int64s

EVERY_DAYS = 7.0  # the rhythm that work is planned in; judgement
STALEST_DAYS = 60.0  # a reading older than this says too little to learn from; judgement


@dataclass(frozen=True, kw_only=True)
class Origins:
    """Vehicles at times, each with the newest reading then; one row per vehicle and time.

    Attributes:
        vehicle: Index of the vehicle in the record, [n].
        at: Time of forecasting, days since 1970, [n].
        family: Index into `Drift.families`, [n].
        row: Newest reading at or before `at`, index into the family's panel, [n].
        read: Its time, days since 1970, [n].
        weight: How many origins each stands for, [n].
    """

    vehicle: Int64s
    at: Float64s
    family: Int64s
    row: Int64s
    read: Float64s
    weight: Float64s

    def __len__(self) -> int:
        return len(self.at)

    def take(self, which: np.ndarray) -> "Origins":
        """The origins chosen by a mask or by indices."""
        return Origins(
            vehicle=self.vehicle[which],
            at=self.at[which],
            family=self.family[which],
            row=self.row[which],
            read=self.read[which],
            weight=self.weight[which],
        )

    def weighted(self, weight: Float64s) -> "Origins":
        """The same origins with other weights."""
        return Origins(
            vehicle=self.vehicle, at=self.at, family=self.family, row=self.row, read=self.read, weight=weight
        )


def origins_at(drift: Drift, record: Record, times: Float64s) -> Origins:
    """Every vehicle that had a reading, at each of the times at which it was in service."""
    parts = [_of_family(family, index, record, np.sort(times)) for index, family in enumerate(drift.families)]
    if not parts:
        nothing = np.empty(0)
        none = np.empty(0, dtype=np.int64)
        return Origins(vehicle=none, at=nothing, family=none, row=none, read=nothing, weight=nothing)
    names = ("vehicle", "at", "family", "row", "read", "weight")
    return Origins(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def past_times(drift: Drift, now: float) -> Float64s:
    """A week ago, two weeks ago, and so on back to the first reading; days since 1970."""
    first = min((read_days(family).min() for family in drift.families if len(family.panel.read_at)), default=now)
    times: Float64s = now - EVERY_DAYS * np.arange(1.0, 1.0 + max(int((now - first) // EVERY_DAYS), 0))
    return times


def read_days(family: FamilyDrift) -> Float64s:
    """Time of each reading, days since 1970, [R]."""
    micros = family.panel.read_at.astype("datetime64[us]").astype(np.int64)
    times: Float64s = micros / 86_400e6
    return times


def thinned(origins: Origins, stratum: Int64s, most: Sequence[int], *, seed: int) -> Origins:
    """Draws from strata of origins; those drawn are weighted for those left out.

    Args:
        origins: All origins.
        stratum: Of each, from 0, [n].
        most: How many of each stratum to keep at most.
        seed: Of the draw.
    """
    rng = np.random.default_rng(seed)
    weight, drawn = origins.weight.copy(), []
    for number, room in enumerate(most):
        in_stratum = np.flatnonzero(stratum == number)
        if len(in_stratum) > room:
            weight[in_stratum] *= len(in_stratum) / room
            in_stratum = rng.choice(in_stratum, size=room, replace=False)
        drawn.append(in_stratum)
    return origins.weighted(weight).take(np.sort(np.concatenate(drawn)))


def _of_family(family: FamilyDrift, index: int, record: Record, times: Float64s) -> Origins:
    panel = family.panel
    count = len(panel.vehicles)
    local = np.repeat(np.arange(count), np.diff(panel.row_start))
    keys = local * SPAN + read_days(family)
    which, at = np.repeat(np.arange(count), len(times)), np.tile(times, count)
    row = np.searchsorted(keys, which * SPAN + at, side="right") - 1
    number = np.array([record.number[vehicle] for vehicle in panel.vehicles], dtype=np.int64)
    seen = row >= panel.row_start[which]
    serving = at <= record.retired[number[which]] if count else seen
    chosen = seen & serving
    row, at, which = row[chosen], at[chosen], which[chosen]
    return Origins(
        vehicle=number[which],
        at=at,
        family=np.full(len(at), index, dtype=np.int64),
        row=row,
        read=read_days(family)[row],
        weight=np.ones(len(at)),
    )
