"""False alarms against the promise: what the drift stage found and the truth in, vehicle alarms and null time out.

As the statistics page defines them. Null: every correction of the vehicle is less than 0.5 sigma from health
(noise-free) at that reading. Alarm: a correction is in alarm (`drifting` or `outside`) after at least four settled
readings out of it. Row r of `FamilyDrift.alarm` is what an analysis as of that reading publishes, so one pass gives
every publish (the section `ahead` compares them: they agree but in the fleet's first half year, whose readings the
first model learns from, and which is left out here). Alarms of one vehicle within 28 days are one; it is false where
its vehicle is null, benign where one of its corrections truly changed and levelled off. Counted after 26 settled
readings of the vehicle.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from drift_table import Line, rate_interval, share_interval

from pipelines.bands.normal import days, vehicle_of_row
from pipelines.handover import Drift, FamilyDrift

NULL, SURE = 0.5, 1.0  # sigmas
SETTLED, OUT_OF_IT = 26, 4  # readings
TOGETHER_DAYS, BLOCK_DAYS = 28, 91
FIRST_MODEL_DAYS = 182.0  # of the fleet, from whose own readings their model is learned
KINDS = np.array(["null", "between", "benign", "harmful"])
STANDING_SHARE, STANDING_PROMISE = 0.03, 0.2  # at most, where no more than so many are promised
LEAST_STRATUM_YEARS = 20.0  # a stratum with less null time shows nothing


@dataclass(frozen=True, kw_only=True)
class Truth:
    """One family's truth, row by row of its panel: deviation [R, C] in sigmas, benign [R, C], strata [R] by name.

    sure: [R, C] the least that it was about the reading; None: as `deviation`.
    """

    deviation: np.ndarray
    benign: np.ndarray
    marks: dict[str, np.ndarray]
    sure: np.ndarray | None = None


@dataclass(frozen=True, kw_only=True)
class Watched:
    """time: a row per reading (`cluster, week, years, null, counted, standing`, strata).

    alarms: a row per vehicle alarm (`cluster, week, vehicle_id, correction, read_at, kind, null, counted`, strata);
    years since the reading before; counted: after 26 settled readings.
    """

    time: pl.DataFrame
    alarms: pl.DataFrame

    @staticmethod
    def of(drift: Drift, truths: dict[str, Truth], *, name: str) -> "Watched":
        """Everything that the families show, `name` telling this fleet's clusters from another's."""
        learned = min(float(days(family.panel).min()) for family in drift.families) + FIRST_MODEL_DAYS
        parts = [_watch(family, truths[family.panel.family], name, learned) for family in drift.families]
        return Watched.together([part for part in parts if part.time.height])

    @staticmethod
    def together(parts: "list[Watched]") -> "Watched":
        """Several fleets as one."""
        return Watched(
            time=pl.concat([part.time for part in parts], how="diagonal"),
            alarms=pl.concat([part.alarms for part in parts], how="diagonal"),
        )


def _watch(family: FamilyDrift, truth: Truth, name: str, learned: float) -> Watched:
    panel = family.panel
    vehicle, day = vehicle_of_row(panel), days(panel)
    first = np.zeros(len(day), dtype=bool)
    first[panel.row_start[:-1][np.diff(panel.row_start) > 0]] = True
    start = np.flatnonzero(first)[np.cumsum(first) - 1]
    settled = family.relearning.mean(axis=1) < 0.5
    seen = np.cumsum(settled) - settled
    counted = seen - seen[start] >= SETTLED
    kind = _kind(truth)
    null = (kind == 0).all(axis=1)
    raised = _raised(family, first)
    cluster = np.array([f"{name} {panel.family} {block}" for block in (day // BLOCK_DAYS).astype(int)], dtype=object)
    time = pl.DataFrame(
        {
            "cluster": cluster.tolist(),
            "week": (day // 7).astype(np.int64),
            "years": np.where(first, 0.0, day - np.roll(day, 1)) / 365.25,
            "null": null & (day >= learned),
            "counted": counted,
            "standing": family.alarm.any(axis=1),
            **truth.marks,
        }
    )
    rows, worst, leading = _vehicle_alarms(raised, kind, vehicle, day)
    alarms = (
        time[rows]
        .drop("years", "standing")
        .with_columns(
            pl.Series("vehicle_id", [panel.vehicles[v] for v in vehicle[rows]], dtype=pl.String),
            pl.Series("correction", [panel.codes[c] for c in leading], dtype=pl.String),
            pl.Series("read_at", panel.read_at[rows]).cast(pl.Datetime("us")),
            pl.Series("kind", KINDS[worst].tolist(), dtype=pl.String),
        )
    )
    return Watched(time=time, alarms=alarms)


def _kind(truth: Truth) -> np.ndarray:
    """[R, C] index into KINDS."""
    size = np.abs(truth.deviation)
    return np.select([size < NULL, size < SURE, truth.benign], [0, 1, 2], 3)


def _raised(family: FamilyDrift, first: np.ndarray) -> np.ndarray:
    """[R, C] in alarm after at least four settled readings out of it."""
    out_of_it = ~family.alarm & ~family.relearning & np.isfinite(family.panel.values)
    count = np.cumsum(out_of_it, axis=0, dtype=np.int32)
    before = np.where(first[:, None], count - out_of_it, 0)
    last = np.maximum.accumulate(np.where(family.alarm, count, before), axis=0)
    since = count - np.roll(last, 1, axis=0)
    return family.alarm & ~first[:, None] & (since >= OUT_OF_IT)


def _vehicle_alarms(
    raised: np.ndarray, kind: np.ndarray, vehicle: np.ndarray, day: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Row, worst kind, and first correction of each vehicle alarm."""
    rows, worst, leading = [], [], []
    for r, c in zip(*np.nonzero(raised), strict=True):
        if rows and vehicle[rows[-1]] == vehicle[r] and day[r] - day[rows[-1]] <= TOGETHER_DAYS:
            worst[-1] = max(worst[-1], kind[r, c])
        else:
            rows.append(r)
            worst.append(kind[r, c])
            leading.append(c)
    return tuple(np.array(column, dtype=np.int64) for column in (rows, worst, leading))


def rate_lines(watched: Watched, promise: float, of: str, *, strata: bool) -> Iterator[Line]:
    """Measured over promised: pooled, worst week, standing, what else alarmed; then every stratum."""
    time = watched.time.filter("null", "counted")
    alarms = watched.alarms.filter(pl.col("null") & pl.col("counted") & (pl.col("kind") == "null"))
    measure = f"false alarms at {promise:g}"
    yield _ratio(time, alarms, promise, measure, of, (0.75, 1.25))
    if not strata:
        return
    yield _worst_week(time, alarms, of)
    standing, rows = int(time["standing"].sum()), time.height
    low, high = _standing_interval(time)
    at_most = STANDING_SHARE if promise <= STANDING_PROMISE else np.inf
    name = f"standing false share at {promise:g}"
    yield Line(measure=name, of=of, n=rows, value=standing / rows, low=low, high=high, at_most=at_most)
    beside = watched.alarms.filter(~pl.col("null") & pl.col("counted") & (pl.col("kind") == "null")).height
    if beside:
        yield Line(measure="  null ones beside a defect", of=of, n=beside, value=beside)
    for kind in ("benign", "between", "harmful"):
        count = watched.alarms.filter(pl.col("counted") & (pl.col("kind") == kind)).height
        if count:
            yield Line(measure=f"  {kind} vehicle alarms", of=of, n=count, value=count)
    early = watched.time.filter(pl.col("null") & ~pl.col("counted"))
    raised = watched.alarms.filter(pl.col("null") & ~pl.col("counted") & (pl.col("kind") == "null"))
    yield _ratio(early, raised, promise, measure, f"{of}: first 26 readings", (0.5, 2.0))
    others = {"cluster", "week", "years", "null", "counted", "standing"}
    for mark in (name for name in time.columns if name not in others):
        part = time.filter(mark)
        if part["years"].sum() >= LEAST_STRATUM_YEARS:
            yield _ratio(part, alarms.filter(mark), promise, measure, f"{of}: {mark}", (0.5, 2.0))


def _ratio(  # noqa: PLR0917
    time: pl.DataFrame, alarms: pl.DataFrame, promise: float, measure: str, of: str, bounds: tuple[float, float]
) -> Line:
    exposure = time.group_by("cluster").agg(pl.col("years").sum())
    count = alarms.group_by("cluster").agg(count=pl.len())
    both = exposure.join(count, on="cluster", how="left").with_columns(pl.col("count").fill_null(0))
    counts, years = both["count"].to_numpy(), both["years"].to_numpy()
    low, high = rate_interval(counts, years * promise)
    ratio = counts.sum() / max(years.sum(), 1e-9) / promise
    return Line(
        measure=measure, of=of, n=alarms.height, value=ratio, low=low, high=high, at_least=bounds[0], at_most=bounds[1]
    )


def _worst_week(time: pl.DataFrame, alarms: pl.DataFrame, of: str) -> Line:
    """Highest rate of a calendar week over the mean; the interval is what chance alone makes of the highest."""
    weeks = time.group_by("week").agg(pl.col("years").sum()).filter(pl.col("years") > 0)
    weeks = weeks.filter(pl.col("years") > 0.5 * pl.col("years").median())
    count = alarms.group_by("week").agg(count=pl.len())
    both = weeks.join(count, on="week", how="left").with_columns(pl.col("count").fill_null(0))
    counts, years = both["count"].to_numpy(), both["years"].to_numpy()
    mean = max(counts.sum(), 1) / years.sum()
    chance = (np.random.default_rng(1).poisson(mean * years, (2000, len(years))) / years).max(axis=1) / mean
    return Line(
        measure="worst week over mean (chance)", of=of, n=alarms.height, value=(counts / years).max() / mean,
        low=np.quantile(chance, 0.025), high=np.quantile(chance, 0.975), at_most=3.0,
    )  # fmt: skip


def _standing_interval(time: pl.DataFrame) -> tuple[float, float]:
    both = time.group_by("cluster").agg(pl.col("standing").sum().alias("count"), pl.len().alias("rows"))
    if both["count"].sum() == 0:
        return share_interval(0, time.height)
    return rate_interval(both["count"].to_numpy().astype(float), both["rows"].to_numpy().astype(float))
