"""What no longer counts at an origin: sides whose fault stands already, corrections whose part was mended since."""

import numpy as np
import polars as pl

from pipelines.forecast.origins import Origins, read_days
from pipelines.forecast.outcomes import PREVENTIVE, Record, Stamps, days, stamps
from pipelines.handover import Bools, Evidence, FamilyDrift, Float64s, History, Int64s

MENDED_DAYS = 7.0  # what a correction reads so soon after work on its part may be from before; judgement


class ActiveFaults:
    """Which faults stand at an origin, by what was known then."""

    def __init__(self, history: History, record: Record) -> None:
        events = history.fault_events.sort("vehicle_id", "found_at", "code")
        self.vehicle = events["vehicle_id"].replace_strict(record.number, return_dtype=pl.Int64).to_numpy()
        self.found = days(events["found_at"])
        self.ended = np.nan_to_num(days(events["ended_at"]), nan=np.inf)
        self.code = events["code"].str.slice(0, 5).to_list()

    def pairs(self, origins: Origins, since: Float64s) -> tuple[Int64s, Int64s]:
        """(event, origin) index pairs where the event is known at the origin and stood after a time, [n]."""
        order = np.argsort(origins.vehicle, kind="stable")
        sorted_vehicle = origins.vehicle[order]
        start = np.searchsorted(sorted_vehicle, self.vehicle, side="left")
        count = np.searchsorted(sorted_vehicle, self.vehicle, side="right") - start
        event = np.repeat(np.arange(len(self.vehicle)), count)
        within = np.arange(len(event)) - np.repeat(np.cumsum(count) - count, count)
        origin = order[np.repeat(start, count) + within]
        stands = (self.found[event] <= origins.at[origin]) & (self.ended[event] > since[origin])
        return event[stands], origin[stands]

    def count(self, origins: Origins) -> Float64s:
        """How many faults stand at each origin, [n]."""
        _, origin = self.pairs(origins, origins.at)
        return np.bincount(origin, minlength=len(origins)).astype(np.float64)

    def done(self, origins: Origins, family: FamilyDrift, sides: dict[str, dict[str, set[str]]]) -> tuple[Bools, Bools]:
        """Corrections whose low, and high, side has set a fault that stands or did so just now, each [n, C]."""
        low = np.zeros((len(origins), len(family.panel.codes)), dtype=np.bool_)
        high = low.copy()
        event, origin = self.pairs(origins, just_now(origins, family))
        codes = np.array(self.code, dtype=object)[event]
        for code in sorted(set(codes)):
            hit = origin[codes == code]
            low[hit] |= np.array([code in sides[correction]["fault_low"] for correction in family.panel.codes])
            high[hit] |= np.array([code in sides[correction]["fault_high"] for correction in family.panel.codes])
        return low, high


class Mended:
    """Corrections whose own part has been worked on lately: what they read still tells of the part before.

    Without this, vehicles fresh from the workshop stand among those about to set a fault, with the same readings.
    """

    def __init__(self, evidence: Evidence, record: Record) -> None:
        named = evidence.corrections.select("code", "component").drop_nulls("component")
        self.parts: dict[str, list[str]] = {code: component.split("|") for code, component in named.iter_rows()}
        known = {part for parts in self.parts.values() for part in parts}
        done = evidence.work.filter(pl.col("kind").is_in(PREVENTIVE), pl.col("component").is_in(known))
        self.work: dict[str, Stamps] = {
            str(part): stamps(rows, "done_at", record.number) for (part,), rows in done.group_by("component")
        }

    def just(self, origins: Origins, family: FamilyDrift) -> Bools:
        """Corrections with one reading at most, or a week, since work on their part, [n, C]."""
        since = just_now(origins, family)
        is_mended = np.zeros((len(origins), len(family.panel.codes)), dtype=np.bool_)
        for place, code in enumerate(family.panel.codes):
            for part in self.work.keys() & self.parts.get(code, []):
                is_mended[:, place] |= self.work[part].last_until(origins.vehicle, origins.at) > since
        return is_mended


def just_now(origins: Origins, family: FamilyDrift) -> Float64s:
    """From when on work is too new for readings to tell of: a week ago or the reading before the newest, [n]."""
    day = read_days(family)
    start = family.panel.row_start[np.searchsorted(family.panel.row_start, origins.row, side="right") - 1]
    before = np.where(origins.row > start, day[np.maximum(origins.row - 1, 0)], -np.inf)
    since: Float64s = np.minimum(before, origins.at - MENDED_DAYS)
    return since


def fault_codes(evidence: Evidence) -> dict[str, dict[str, set[str]]]:
    """By correction, then `fault_low` or `fault_high`: the codes that side can set."""
    return {
        row["code"]: {
            side: {code[:5] for code in (row[side] or "").split("|") if code} for side in ("fault_low", "fault_high")
        }
        for row in evidence.corrections.select("code", "fault_low", "fault_high").iter_rows(named=True)
    }
