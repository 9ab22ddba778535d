"""What is known of a vehicle at an origin, as figures a hazard can learn from; nothing here knows a code by name."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from zlib import crc32

import numpy as np
import polars as pl

from pipelines.forecast.active_faults import ActiveFaults, Mended, fault_codes
from pipelines.forecast.failure_direction import FOLDS
from pipelines.forecast.family_scales import FamilyScales
from pipelines.forecast.first_passage import SUMMARY, summarise_rows
from pipelines.forecast.kinds import kind_numbers, sides_of
from pipelines.forecast.left_out import left_out_at, without
from pipelines.forecast.limit_hazard import Nearing
from pipelines.forecast.newest import LATELY_DAYS, MOST_READINGS, newest_readings
from pipelines.forecast.origins import Origins, read_days
from pipelines.forecast.outcomes import SPAN, Record
from pipelines.forecast.time_grid import AT_HORIZON, ENDS, hazard_of
from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float32s, Float64s, History, Int64s, Outliers
from pipelines.history.since_reading import SinceReading

FARTHEST_DAYS = 730.0  # beyond which days say no more; judgement
ROWS_AT_ONCE = 50_000  # for speed: what lies in memory
SMALLEST_HAZARD = 1e-5  # faults a day; numerical
LATELY_WORKED_DAYS = 7.0  # half of what the readings announced is old news by then: a week's readings; judgement
RISKY_SEVERITY = 0.6  # of an alarm threshold; judgement
RISKY_LEEWAY = 50.0  # %; judgement
NOT_SCORED = -float(np.log10(0.5))  # rarity of a vehicle whose likeness is not known; derived
BEFORE_DAYS = 30.0  # how far back the change of a reading is taken from; judgement


@dataclass(frozen=True, kw_only=True)
class Features:
    """Features of n origins.

    Attributes:
        values: [n, F], each column so that more of it never lowers the risk where `rising` says so.
        names: What each column is, [F].
        rising: 1: the risk may only rise with it; 0: free, [F].
        passage: Probability that a correction meets its limit by the end of each step ahead, [n, L].
        ahead: Figures of each step ahead, [n, L, A]; more of them never lowers the risk.
        ahead_names: What each is, [A].
        severity: Largest evidence of straying as a multiple of its alarm threshold, [n].
        leeway: Least leeway, %, [n].
        largest: Largest deviation, sigmas, [n].
        leading: Index of the correction that leads (in its family's panel), -1: none, [n].
        side: Side it strays to, -1, 0 or 1, [n].
        lead: The same as one number where the vehicle strays or is near a limit: index of the code, the codes once more
            for high sides; -1: nothing leads, [n].
        deviations: z of every correction of any family, then its level against the family, both cut at 10 spreads and
            compressed, mean of the newest days, 0 where not read, [n, 2 codes].
        changes: The same, less what they were a month before, [n, 2 codes].
        newest: The newest days' readings themselves, against what was expected and against the family, [n, 2 codes].
        codes: Names of the columns of these, [2 codes].
        nearing: How near the limits are, by kind of correction and side.
        sides: Names of these, [J].
        fold: Of the vehicle, by its id alone, [n].
    """

    values: Float64s
    names: tuple[str, ...]
    rising: Int64s
    passage: Float64s
    ahead: Float64s
    ahead_names: tuple[str, ...]
    severity: Float64s
    leeway: Float64s
    largest: Float64s
    leading: Int64s
    side: Float64s
    lead: Int64s
    deviations: Float32s
    changes: Float32s
    newest: Float32s
    codes: tuple[str, ...]
    nearing: Nearing
    sides: tuple[str, ...]
    fold: Int64s

    def take(self, rows: Bools | Int64s) -> "Features":
        """The features of some origins."""
        return Features(
            values=self.values[rows],
            names=self.names,
            rising=self.rising,
            passage=self.passage[rows],
            ahead=self.ahead[rows],
            ahead_names=self.ahead_names,
            severity=self.severity[rows],
            leeway=self.leeway[rows],
            largest=self.largest[rows],
            leading=self.leading[rows],
            side=self.side[rows],
            lead=self.lead[rows],
            deviations=self.deviations[rows],
            changes=self.changes[rows],
            newest=self.newest[rows],
            codes=self.codes,
            nearing=self.nearing.take(rows),
            sides=self.sides,
            fold=self.fold[rows],
        )


def features_of(
    origins: Origins,
    drift: Drift,
    outliers: Outliers,
    record: Record,
    *,
    evidence: Evidence,
    history: History,
    since: SinceReading | None = None,
    scales: Mapping[str, FamilyScales] = MappingProxyType({}),
) -> Features:
    """Features of each origin from readings up to it, and from faults and work known by then.

    Args:
        origins: Vehicles at times.
        drift: All families.
        outliers: Scores of past readings.
        record: Faults and repairs.
        evidence: Catalogue, faults and work.
        history: Fault events.
        since: Work since the newest readings, where the origins are those of now: what it left without meaning says
            nothing there.
        scales: By family, as other vehicles of it showed them; of all others these show them.
    """
    gathered = _Gathered.blank(origins, drift, outliers, evidence)
    active = ActiveFaults(history, record)
    sides, mended = fault_codes(evidence), Mended(evidence, record)
    for index, family in enumerate(drift.families):
        of_family = np.flatnonzero(origins.family == index)
        if len(of_family):
            here = origins.take(of_family)
            low, high = active.done(here, family, sides)
            left_out = left_out_at(here, family, since)
            new = mended.just(here, family) | left_out
            kind = kind_numbers(evidence.corrections, family.panel.codes, gathered.sides)
            known = scales.get(family.panel.family) or FamilyScales.of(family)
            done = low | new, high | new
            gathered.fill(of_family, here, family, known, done=done, left_out=left_out, kind=kind)
    columns = _columns(
        gathered, origins, record, pending=_pending(origins, drift, evidence), standing=active.count(origins)
    )
    summary, passage = gathered.summary, gathered.passage
    return Features(
        values=np.column_stack([column for column, _ in columns.values()]),
        names=tuple(columns),
        rising=np.array([rising for _, rising in columns.values()]),
        passage=passage,
        ahead=np.stack([_used(gathered.leeway_ahead), np.log(hazard_of(1 - passage) + SMALLEST_HAZARD)], axis=2),
        ahead_names=("leeway used by then", "first passage then"),
        severity=summary["severity"],
        leeway=summary["leeway"],
        largest=summary["largest"],
        leading=summary["leading"].astype(np.int64),
        side=summary["side"],
        lead=gathered.lead,
        deviations=gathered.deviations,
        changes=gathered.changes,
        newest=gathered.newest,
        codes=(*gathered.codes, *(f"level of {code}" for code in gathered.codes)),
        nearing=gathered.nearing,
        sides=gathered.sides,
        fold=np.array([crc32(name.encode()) % FOLDS for name in record.number], dtype=np.int64)[origins.vehicle],
    )


@dataclass(frozen=True, kw_only=True)
class _Gathered:
    """What the families' readings say of n origins, as in `Features`; filled family by family.

    summary: [n] of `SUMMARY`. leeway_ahead: [n, L]. relearning: whether anything does. unlike: rarity of the reading.
    """

    codes: list[str]
    summary: np.ndarray
    passage: Float64s
    leeway_ahead: Float64s
    deviations: Float32s
    changes: Float32s
    newest: Float32s
    nearing: Nearing
    sides: tuple[str, ...]
    relearning: Float64s
    unlike: Float64s
    lead: Int64s

    @classmethod
    def blank(cls, origins: Origins, drift: Drift, outliers: Outliers, evidence: Evidence) -> "_Gathered":
        """Nothing filled but the rarity."""
        codes = sorted({code for family in drift.families for code in family.panel.codes})
        passage, leeway_ahead = np.zeros((2, len(origins), len(ENDS)))
        deviations, changes, newest = np.zeros((3, len(origins), 2 * len(codes)), dtype=np.float32)
        sides = sides_of(evidence.corrections, codes)
        used, rate = np.zeros((2, len(origins), len(sides)), dtype=np.float32)
        return cls(
            codes=codes,
            summary=np.zeros(len(origins), SUMMARY),
            passage=passage,
            leeway_ahead=leeway_ahead,
            deviations=deviations,
            changes=changes,
            newest=newest,
            nearing=Nearing(used=used, rate=rate, stale=origins.at - origins.read),
            sides=sides,
            relearning=np.zeros(len(origins)),
            unlike=_outlier_scores(origins, outliers),
            lead=np.full(len(origins), -1, dtype=np.int64),
        )

    def fill(
        self, at: Int64s, origins: Origins, family: FamilyDrift, scales: FamilyScales, *, done: tuple[Bools, Bools],
        left_out: Bools, kind: Int64s,
    ) -> None:  # fmt: skip
        """Fill the rows `at` of one family.

        Args:
            at: Of these origins among all, [m].
            origins: They alone.
            family: Their family.
            scales: Its centres and spreads.
            done: Corrections whose fault on the low, and on the high side can't be set anew, [m, C] each.
            left_out: What work left without meaning, [m, C].
            kind: Number of each correction's kind, [C].
        """
        rows = origins.row
        centre, spread = scales.levels_at(family, rows)
        summaries, self.passage[at], self.leeway_ahead[at], near = summarise_rows(
            family, rows, centre.astype(np.float64), stale_days=origins.at - origins.read, done_low=done[0],
            done_high=done[1], kind=kind, kinds=len(self.sides) // 2,
        )  # fmt: skip
        self.nearing.used[at], self.nearing.rate[at] = near.used, near.rate
        self.summary[at] = without(summaries, family, rows, left_out)
        places = np.searchsorted(self.codes, family.panel.codes)
        both = np.ix_(at, np.concatenate([places, places + len(self.codes)]))
        is_in = np.tile(~left_out, 2)
        self.deviations[both], self.changes[both] = (
            part * is_in for part in _lately_and_change(family, rows, centre, spread)
        )
        self.newest[both] = newest_readings(family, rows, scales) * is_in
        self.unlike[at[left_out.any(axis=1)]] = NOT_SCORED
        self.relearning[at] = family.relearning[rows].any(axis=1)
        summary = self.summary[at]
        leads = (summary["leading"] >= 0) & is_risky(summary["severity"], summary["leeway"])
        high = summary["side"] > 0
        self.lead[at] = np.where(leads, places[summary["leading"].astype(np.int64)] + len(self.codes) * high, -1)


def _columns(
    gathered: _Gathered, origins: Origins, record: Record, *, pending: Float64s, standing: Float64s
) -> dict[str, tuple[Float64s, int]]:
    """Columns by name, each with whether the risk may only rise with it; pending codes and standing faults [n]."""
    summary, passage = gathered.summary, gathered.passage
    repaired = origins.at - record.repairs.last_until(origins.vehicle, origins.at)
    return {
        "leeway used": (_used(summary["leeway"]), 1),
        "leeway used, newest readings": (_used(summary["newest_leeway"]), 1),
        "first passage in 7 days": (_odds(passage[:, AT_HORIZON[0]]), 1),
        "first passage in 30 days": (_odds(passage[:, AT_HORIZON[1]]), 1),
        "first passage in 90 days": (_odds(passage[:, AT_HORIZON[2]]), 1),
        "nearness of a limit": (-np.log(2.0 + np.clip(summary["days_to_limit"], 0, FARTHEST_DAYS)), 1),
        "loss of leeway": (np.log1p(np.clip(summary["loss"], 0, 50) * 30), 1),
        "largest deviation": (np.arcsinh(summary["largest"]), 1),
        "second largest deviation": (np.arcsinh(summary["second"]), 1),
        "largest towards a fault": (np.arcsinh(summary["towards"]), 1),
        "evidence of straying": (np.arcsinh(np.clip(summary["margin"], -15, 200) / 3), 1),
        "corrections in alarm": (np.log1p(summary["alarms"]), 1),
        "unlike its peers": (gathered.unlike, 1),
        "pending codes": (pending, 1),
        "standing faults": (standing, 0),
        "faults so far": (np.log1p(record.faults.count_until(origins.vehicle, origins.at)), 0),
        "time since repair": (np.log1p(np.clip(repaired, 0, FARTHEST_DAYS)), 0),
        "age": (np.log1p(np.clip(origins.at - record.entered[origins.vehicle], 0, None)), 0),
        "age of the reading": (np.log1p(np.clip(origins.at - origins.read, 0, 60)), 0),
        "relearning": (gathered.relearning, 0),
        "worked on lately": (np.exp2(-np.clip(repaired, 0, FARTHEST_DAYS) / LATELY_WORKED_DAYS), 0),
    }


def _lately_and_change(
    family: FamilyDrift, rows: Int64s, centre: Float32s, spread: Float32s
) -> tuple[Float32s, Float32s]:
    """Deviations and levels of the newest days, and how far they are from those of a month before, each [n, 2 C]."""
    day = read_days(family)
    vehicle = np.searchsorted(family.panel.row_start, rows, side="right") - 1
    start = family.panel.row_start[vehicle]

    def lately(at: Int64s) -> Float32s:
        total = np.zeros((len(at), 2 * len(family.panel.codes)), dtype=np.float32)
        count = np.zeros(len(at), dtype=np.float32)
        for back in range(MOST_READINGS):
            row = at - back
            near = np.flatnonzero((row >= start) & (day[at] - day[np.maximum(row, 0)] < LATELY_DAYS))
            if not len(near):
                break
            level = (family.expected[row[near]] + family.deviation[row[near]] - centre[near]) / spread[near]
            total[near] += _compressed(np.concatenate([family.z[row[near]], level], axis=1))
            count[near] += 1
        mean: Float32s = (total / np.maximum(count, 1)[:, None]).astype(np.float32)
        return mean

    now = lately(rows)
    keys = np.repeat(np.arange(len(family.panel.vehicles)), np.diff(family.panel.row_start)) * SPAN + day
    earlier = np.searchsorted(keys, vehicle * SPAN + day[rows] - BEFORE_DAYS, side="right") - 1
    return now, now - lately(np.maximum(earlier, start))


def _compressed(spreads: Float32s) -> Float32s:
    compressed: Float32s = np.arcsinh(np.nan_to_num(np.clip(spreads, -10.0, 10.0)))
    return compressed


def straying_of(origins: Origins, drift: Drift) -> tuple[Float64s, Float64s]:
    """(severity, least leeway in %) of each origin by the drift stage, whatever stands already, each [n]."""
    severity, leeway = np.zeros(len(origins)), np.full(len(origins), 100.0)
    for index, family in enumerate(drift.families):
        of_family = np.flatnonzero(origins.family == index)
        for some in np.array_split(of_family, 1 + len(of_family) // ROWS_AT_ONCE):
            rows = origins.row[some]
            severity[some] = np.nan_to_num(family.evidence[rows] / family.threshold).max(axis=1, initial=0.0)
            leeway[some] = np.nan_to_num(family.leeway[rows], nan=100.0).min(axis=1, initial=100.0)
    return severity, leeway


def is_risky(severity: Float64s, leeway: Float64s) -> Bools:
    """Which origins stray or are near a limit, [n]; severity and least leeway as in `Features`."""
    return (severity > RISKY_SEVERITY) | (leeway < RISKY_LEEWAY)


def _used(leeway: Float64s) -> Float64s:
    used: Float64s = np.log(105 / (5 + np.clip(leeway, 0, 100)))
    return used


def _odds(probability: Float64s) -> Float64s:
    clipped = np.clip(probability, 1e-4, 1 - 1e-3)
    odds: Float64s = np.log(clipped / (1 - clipped))
    return odds


def _reading_keys(origins: Origins, drift: Drift) -> pl.DataFrame:
    """`vehicle_id, read_at` of each origin's reading, in the order of the origins."""
    ids = np.empty(len(origins), dtype=object)
    read_at = np.empty(len(origins), dtype="datetime64[us]")
    for index, family in enumerate(drift.families):
        of_family = origins.family == index
        local = np.searchsorted(family.panel.row_start, origins.row[of_family], side="right") - 1
        ids[of_family] = np.array(family.panel.vehicles, dtype=object)[local] if len(local) else ids[of_family]
        read_at[of_family] = family.panel.read_at[origins.row[of_family]]
    return pl.DataFrame(
        {
            "vehicle_id": pl.Series(ids.tolist(), dtype=pl.String),
            "read_at": pl.Series(read_at).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
        }
    )


def _outlier_scores(origins: Origins, outliers: Outliers) -> Float64s:
    """-log10 of the share of healthy vehicle-weeks as unlike; 0.3 (as good as half) where not scored."""
    scores = np.full(len(origins), 0.5)
    for index in np.unique(origins.family):
        of_family = origins.family == index
        scores[of_family] = np.nan_to_num(outliers.score_rows(int(index), origins.row[of_family]), nan=0.5)
    rarity: Float64s = -np.log10(np.clip(1 - scores, 1e-4, 1.0))
    return rarity


def _pending(origins: Origins, drift: Drift, evidence: Evidence) -> Float64s:
    """How many codes were pending, not confirmed, at each origin's reading."""
    pending = (
        evidence.faults.filter(pl.col("pending").fill_null(value=False), ~pl.col("confirmed").fill_null(value=False))
        .group_by("vehicle_id", "read_at")
        .len()
    )
    keys = _reading_keys(origins, drift)
    counts = keys.join(pending, on=["vehicle_id", "read_at"], how="left", maintain_order="left")["len"]
    return counts.fill_null(0).cast(pl.Float64).to_numpy()
