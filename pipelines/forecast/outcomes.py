"""What became of a vehicle after a time: fault set, repaired first, or lost from sight; no feature, no model.

Times are days since 1970 (float, UTC). A repair before any fault is informative censoring, kept apart from the
censoring that says nothing of the engine: retirement, the last look into the fault memory, a memory lost with power.

A code may be set and cleared between two readings, and then no reading shows it. Where a workshop took a vehicle in on
a complaint, cleared codes and mended something, while no fault known from readings stood, one had been set since the
last look. To take such visits for preventive work would count the vehicles that failed among those that did not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl

from pipelines.handover import Evidence, Float64s, History, Int64s

PREVENTIVE = ("cleaning", "adjustment", "repair", "replacement", "module_replacement", "programming", "reset")
FOR_EVER = datetime(9999, 1, 1, tzinfo=UTC)  # after any reading: definition
SPAN = 1e6  # days; vehicle number x SPAN + day orders rows by vehicle, then time, to a fifth of a second; numerical
# Share of readings that looked into the fault memory, below which no code means no fault; judgement.
MEMORY_MOSTLY_READ = 0.5


@dataclass(frozen=True, kw_only=True)
class Stamps:
    """Times of one kind of happening over all vehicles, sorted by vehicle, then time."""

    vehicle: Int64s
    at: Float64s

    @property
    def _keys(self) -> Float64s:
        return self.vehicle * SPAN + self.at

    def first_after(self, vehicle: Int64s, at: Float64s) -> Float64s:
        """Time of the first one after `at`, [n]; infinity: none."""
        place = np.searchsorted(self._keys, vehicle * SPAN + at, side="right")
        return self._at_place(place, vehicle, missing=np.inf)

    def last_until(self, vehicle: Int64s, at: Float64s) -> Float64s:
        """Time of the last one at or before `at`, [n]; minus infinity: none."""
        place = np.searchsorted(self._keys, vehicle * SPAN + at, side="right") - 1
        return self._at_place(place, vehicle, missing=-np.inf)

    def count_until(self, vehicle: Int64s, at: Float64s) -> Int64s:
        """How many at or before `at`, [n]."""
        start = np.searchsorted(self.vehicle, vehicle, side="left")
        counted: Int64s = np.searchsorted(self._keys, vehicle * SPAN + at, side="right") - start
        return counted

    def _at_place(self, place: Int64s, vehicle: Int64s, *, missing: float) -> Float64s:
        if not len(self.at):
            return np.full(len(place), missing)
        inside = (place >= 0) & (place < len(self.at))
        safe = np.where(inside, place, 0)
        value: Float64s = np.where(inside & (self.vehicle[safe] == vehicle), self.at[safe], missing)
        return value


@dataclass(frozen=True, kw_only=True)
class Record:
    """What is known of all vehicles' faults, repairs and watching.

    Attributes:
        number: Vehicle id -> its index, in sorted order.
        faults: When faults were set; `found` (same order) is the reading that found each.
        found: See faults.
        repairs: When something was done that may have prevented a fault.
        memory_losses: The last reading before the fault memory was lost, in families that lose it with the power.
        known_until: Last reading that looked into the fault memory, [V]; minus infinity: none.
        entered: Start of service, or the first reading where that is not known, [V].
        retired: End of service, [V]; infinity: none.
        unread: How many of the faults no reading showed.
        gap_days: Usual (nine in ten) time between looks into the fault memory.
    """

    number: dict[str, int]
    faults: Stamps
    found: Float64s
    repairs: Stamps
    memory_losses: Stamps
    known_until: Float64s
    entered: Float64s
    retired: Float64s
    unread: int
    gap_days: float

    @classmethod
    def together(cls, parts: "Sequence[Record]") -> "Record":
        """Of the vehicles of all parts."""
        names = sorted(name for part in parts for name in part.number)
        number = {name: index for index, name in enumerate(names)}
        place = [np.array([number[name] for name in part.number], dtype=np.int64) for part in parts]

        def stamps(kind: str) -> tuple[Stamps, Int64s]:
            of = [getattr(part, kind) for part in parts]
            vehicle = np.concatenate([to[each.vehicle] for to, each in zip(place, of, strict=True)])
            at = np.concatenate([each.at for each in of])
            order = np.lexsort((at, vehicle))
            return Stamps(vehicle=vehicle[order], at=at[order]), order

        def each(kind: str) -> Float64s:
            values = np.empty(len(names))
            for to, part in zip(place, parts, strict=True):
                values[to] = getattr(part, kind)
            return values

        faults, order = stamps("faults")
        return cls(
            number=number, faults=faults, found=np.concatenate([part.found for part in parts])[order],
            repairs=stamps("repairs")[0], memory_losses=stamps("memory_losses")[0], known_until=each("known_until"),
            entered=each("entered"), retired=each("retired"), unread=sum(part.unread for part in parts),
            gap_days=float(np.median([part.gap_days for part in parts])),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Outcomes:
    """Days from each origin, [n]; infinity: not within what is known.

    Attributes:
        fault: To the first fault set.
        repair: To the first repair.
        unseen: To the end of what is known.
        found_late: A fault had been set before the origin and was found after it.
    """

    fault: Float64s
    repair: Float64s
    unseen: Float64s
    found_late: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def within(self, days: float) -> tuple[Int64s, Int64s]:
        """(known, fault), each [n] of 0 and 1: whether the outcome within `days` is known, and was a fault."""
        fault = (self.fault <= days) & (self.fault <= self.repair) & (self.fault <= self.unseen) & ~self.found_late
        none = (np.minimum(self.repair, self.unseen) >= days) & ~fault
        return ((fault | none) & ~self.found_late).astype(np.int64), fault.astype(np.int64)


def days(times: pl.Series) -> Float64s:
    """UTC times or dates as days since 1970; null: NaN."""
    return times.cast(pl.Datetime("us")).cast(pl.Int64).cast(pl.Float64).to_numpy() / 86_400e6


def record_of(evidence: Evidence, history: History) -> Record:
    """Gathers faults, repairs and watching of every vehicle."""
    ids = pl.concat([evidence.vehicles["vehicle_id"], history.readings["vehicle_id"]]).unique().sort()
    number = {vehicle: index for index, vehicle in enumerate(ids)}
    readings = history.readings.select(
        "vehicle_id", "read_at", "engine_family", "power_lost", pl.col("faults_known").fill_null(value=False)
    )
    mostly = readings["faults_known"].sum() >= MEMORY_MOSTLY_READ * max(readings.height, 1)
    looks = readings.filter("faults_known") if mostly else readings
    read = history.fault_events.select("vehicle_id", "found_at", "set_at", "ended_at", "ended", "code")
    unread = _unread_faults(evidence.work, looks, read)
    events = pl.concat([read, unread], how="diagonal").sort("vehicle_id", "set_at", "code")
    known_until = np.full(len(number), -np.inf)
    newest = looks.group_by("vehicle_id").agg(pl.col("read_at").max())
    known_until[_numbers(newest["vehicle_id"], number)] = days(newest["read_at"])
    found_last = read.group_by("vehicle_id").agg(pl.col("found_at").max())
    places = _numbers(found_last["vehicle_id"], number)
    known_until[places] = np.maximum(known_until[places], days(found_last["found_at"]))
    entered = np.zeros(len(number))
    first = readings.group_by("vehicle_id").agg(pl.col("read_at").min())
    entered[_numbers(first["vehicle_id"], number)] = days(first["read_at"])
    begun = evidence.vehicles.filter(pl.col("in_service_on").is_not_null())
    entered[_numbers(begun["vehicle_id"], number)] = days(begun["in_service_on"])
    retired = np.full(len(number), np.inf)
    gone = evidence.vehicles.filter(pl.col("retired_on").is_not_null())
    retired[_numbers(gone["vehicle_id"], number)] = days(gone["retired_on"]) + 1
    gaps = looks.sort("vehicle_id", "read_at").select(
        (pl.col("read_at").diff().over("vehicle_id").dt.total_seconds() / 86_400).quantile(0.9)
    )
    return Record(
        number=number,
        faults=Stamps(vehicle=_numbers(events["vehicle_id"], number), at=days(events["set_at"])),
        found=days(events["found_at"]),
        repairs=stamps(evidence.work.filter(pl.col("kind").is_in(PREVENTIVE)), "done_at", number),
        memory_losses=stamps(_memory_losses(readings, read), "read_at", number),
        known_until=known_until,
        entered=entered,
        retired=retired,
        unread=unread.height,
        gap_days=min(float(gaps.item() or 7.0), 35.0),
    )


def outcomes(record: Record, vehicle: Int64s, at: Float64s, last_read: Float64s) -> Outcomes:
    """What followed each origin.

    Args:
        record: What is known now.
        vehicle: Index of the vehicle, [n].
        at: Origin, [n].
        last_read: The vehicle's last reading at or before the origin, [n].
    """
    fault = record.faults.first_after(vehicle, at)
    place = np.searchsorted(record.faults.vehicle * SPAN + record.faults.at, vehicle * SPAN + at, side="right") - 1
    before = record.faults.last_until(vehicle, at)
    found_at = record.found[np.maximum(place, 0)] if len(record.found) else np.zeros(len(at))
    lost = record.memory_losses.first_after(vehicle, at)
    unseen = np.minimum(np.minimum(record.known_until[vehicle], record.retired[vehicle]), lost)
    return Outcomes(
        fault=fault - at,
        repair=record.repairs.first_after(vehicle, at) - at,
        unseen=np.maximum(unseen - at, 0.0),
        found_late=(before > last_read) & (found_at > at),
    )


def _unread_faults(work: pl.DataFrame, looks: pl.DataFrame, read: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, set_at, found_at` of faults that were set and cleared between two readings, by the work done.

    Args:
        work: The contract's.
        looks: `vehicle_id, read_at` of every look into the fault memory.
        read: Fault events that readings show.
    """
    visits = (
        work.filter(
            pl.col("kind").is_in(PREVENTIVE),
            pl.col("codes_cleared").fill_null(value=False),
            pl.col("complaint").fill_null("").str.strip_chars() != "",
            pl.col("cause").fill_null("") != "no_fault_found",
        )
        .select("vehicle_id", found_at="done_at")
        .unique()
    )
    standing = (
        visits.join(read.select("vehicle_id", "ended_at", known_at="found_at"), on="vehicle_id")
        .filter(pl.col("known_at") <= pl.col("found_at"), pl.col("ended_at").fill_null(FOR_EVER) >= pl.col("found_at"))
        .select("vehicle_id", "found_at")
    )
    return (
        visits.join(standing, on=["vehicle_id", "found_at"], how="anti")
        .sort("found_at")
        .join_asof(
            looks.select("vehicle_id", "read_at").sort("read_at"),
            left_on="found_at", right_on="read_at", by="vehicle_id", check_sortedness=False,
        )
        .filter(pl.col("read_at").is_not_null())
        .select(
            "vehicle_id",
            "found_at",
            set_at=pl.col("read_at") + (pl.col("found_at") - pl.col("read_at")) / 2,
        )
    )  # fmt: skip


def _numbers(ids: pl.Series, number: dict[str, int]) -> Int64s:
    return ids.replace_strict(number, return_dtype=pl.Int64).to_numpy()


def stamps(rows: pl.DataFrame, time: str, number: dict[str, int]) -> Stamps:
    """The times in a column of rows with a `vehicle_id`, of known vehicles."""
    known = rows.filter(pl.col("vehicle_id").is_in(list(number)), pl.col(time).is_not_null()).sort("vehicle_id", time)
    return Stamps(vehicle=_numbers(known["vehicle_id"], number), at=days(known[time]))


def _memory_losses(readings: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Readings just before a loss of power, in families that were seen to lose their codes with it."""
    family = readings.select("vehicle_id", "engine_family").unique()
    losing = events.filter(pl.col("ended") == "lost_with_power").join(family, on="vehicle_id")["engine_family"].unique()
    return readings.filter(
        pl.col("power_lost").shift(-1).over("vehicle_id", order_by="read_at").fill_null(value=False),
        pl.col("engine_family").is_in(losing.to_list()),
    )
