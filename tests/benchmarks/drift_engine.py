"""How late the engine model's defects are found on the correction that they affect most, beside the reference test.

The simulator's truth has no healthy reading, so the reference runs on readings made for it: the defect's own
noise-free path, in sigmas, at the vehicle's own reading times, in noise of the memory that the family shows, without
the slow healthy wander. It knows whether the defect steps or creeps, and about how fast.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from drift_reference import RAMP, STEP, evidence, first_after, memory_days, restricted_mean, threshold
from drift_simulated import Simulated, keys_of, simulated
from drift_table import Line, share_interval

from pipelines.bands.normal import days
from pipelines.handover import FamilyDrift

PROMISE, CAP = 0.2, 52
LEAST_READINGS, LEAST_SIGMAS, QUIET_WEEKS = 26, 3.0, 8
DRAWS, RESAMPLES, LEAST_CASES = 20, 400, 10
MEMORIES, SIZES = np.array([0.2, 0.35, 0.5, 0.65, 0.8, 0.9]), np.array([0.5, 1.0, 2.0, 4.0, 8.0])
THRESHOLD_SERIES = 10_000


@dataclass(frozen=True, kw_only=True)
class Case:
    """One defect on its most affected correction: delays in readings (inf: none), ours, and the reference's by draw."""

    sudden: bool
    left: float
    ours: float
    best: np.ndarray


def engine_lines(cache: Path, *, vehicles: int, weeks: int, seeds: range) -> Iterator[Line]:
    """Restricted mean delay over the reference's, and the share found at all before it ended."""
    cases: list[Case] = []
    for seed in seeds:
        fleet = simulated(cache, vehicles=vehicles, weeks=weeks, seed=seed, defects=True)
        cases += _cases(fleet, np.random.default_rng(seed))
    for of, some in (
        ("engine model's defects", cases),
        ("  of them steps", [case for case in cases if case.sudden]),
        ("  of them growing", [case for case in cases if not case.sudden]),
    ):
        if len(some) >= LEAST_CASES:
            yield from _delay_lines(of, some)


def _delay_lines(of: str, cases: list[Case]) -> Iterator[Line]:
    means = _means(cases)
    rng = np.random.default_rng(1)
    drawn = [_means([cases[i] for i in rng.integers(len(cases), size=len(cases))]) for _ in range(RESAMPLES)]
    low, high = np.quantile([ours / best for ours, best in drawn], [0.025, 0.975])
    yield Line(
        measure="delay over reference's",
        of=f"{of}: {means[0]:.1f} against {means[1]:.1f}",
        n=len(cases),
        value=means[0] / means[1],
        low=low,
        high=high,
        at_most=1.0,
    )
    hits = sum(case.ours <= case.left for case in cases)
    low, high = share_interval(hits, len(cases))
    best = np.mean([np.mean(case.best <= case.left) for case in cases])
    yield Line(
        measure="  found before their end",
        of=f"{of} (reference {best:.2f})",
        n=len(cases),
        value=hits / len(cases),
        low=low,
        high=high,
    )


def _means(cases: list[Case]) -> tuple[float, float]:
    left = np.array([case.left for case in cases])
    ours = restricted_mean(np.array([case.ours for case in cases]), left, CAP)
    best = restricted_mean(np.concatenate([case.best for case in cases]), np.repeat(left, DRAWS), CAP)
    return ours, best


def _cases(fleet: Simulated, rng: np.random.Generator) -> Iterator[Case]:
    deviation = fleet.truth("deviation").filter(pl.col("in_sigma").abs() >= 0.1)
    weeks = deviation.select("week_end").unique().sort("week_end")
    paths = deviation.partition_by("vehicle_id", as_dict=True)
    defects = _alone(fleet.truth("defects"))
    for family in fleet.drift(PROMISE).families:
        keys = keys_of(family.panel).partition_by("vehicle_id", as_dict=True)
        found = defects.filter(pl.col("vehicle_id").is_in(list(family.panel.vehicles))).sort("defect")
        for defect in found.iter_rows(named=True):
            path = paths.get((defect["vehicle_id"],))
            if path is not None:
                yield from _case(family, keys[defect["vehicle_id"],], path, weeks, defect, rng)


def _alone(defects: pl.DataFrame) -> pl.DataFrame:
    """Defects that get worse while no other acts on the vehicle, nor did some weeks before; a depot's fuel is out."""
    far = pl.lit(datetime(2999, 1, 1, tzinfo=UTC))
    spans = defects.select("vehicle_id", "defect", "onset_at", end=pl.col("ended_at").fill_null(far))
    others = spans.join(spans, on="vehicle_id", suffix="_other").filter(
        (pl.col("defect") != pl.col("defect_other"))
        & (pl.col("onset_at_other") < pl.col("end"))
        & (pl.col("end_other") > pl.col("onset_at") - pl.duration(weeks=QUIET_WEEKS))
    )
    wanted = (pl.col("cause") != "sudden") & (pl.col("law") != "plateau") & (pl.col("ended") != "by_itself")
    return defects.filter(wanted).join(others, on="defect", how="anti")


def _case(  # noqa: PLR0917
    family: FamilyDrift, keys: pl.DataFrame, path: pl.DataFrame, weeks: pl.DataFrame, defect: dict,
    rng: np.random.Generator,
) -> Iterator[Case]:  # fmt: skip
    """None where the defect came too early, stayed too small, or is not read."""
    panel, rows = family.panel, keys["row"].to_numpy()
    onset, last = defect["onset_at"], defect["ended_at"] or keys["read_at"].max()
    before = int((keys["read_at"] < onset).sum())
    left = int((keys["read_at"] < last).sum()) - before
    acting = path.filter(pl.col("week_end").is_between(onset, last))
    if before < LEAST_READINGS or left < 1 or acting.is_empty():
        return
    most = acting.row(int(acting["in_sigma"].abs().arg_max()), named=True)
    if abs(most["in_sigma"]) < LEAST_SIGMAS or most["correction"] not in panel.codes:
        return
    c = panel.codes.index(most["correction"])
    alarm = family.alarm[rows, c]
    if alarm[before - 1]:
        return
    mine = acting.filter(pl.col("correction") == most["correction"]).select("week_end", "in_sigma")
    whole = weeks.filter(pl.col("week_end").is_between(onset, last)).join(mine, on="week_end", how="left").fill_null(0)
    since = (whole["week_end"] - onset).dt.total_seconds().to_numpy() / 86_400
    day = days(panel)[rows[: before + left]]
    start = np.datetime64(onset.replace(tzinfo=None), "us").astype(np.int64) / 86_400e6
    signal = np.interp(day - start, np.append(0, since), np.append(0, whole["in_sigma"].to_numpy()), left=0)
    every = float(np.isfinite(panel.values).sum() / len(panel.values)) * 365.25 / np.median(np.diff(day)) / PROMISE
    hits = np.flatnonzero(alarm[before : before + left])
    memory, sudden = np.exp(-7 / float(family.memory_days[c])), defect["law"] == "step"
    yield Case(
        sudden=sudden,
        left=float(left),
        ours=float(hits[0] + 1) if len(hits) else np.inf,
        best=_best(signal, day, before, memory, every, sudden=sudden, rng=rng),
    )


def _best(
    signal: np.ndarray,
    day: np.ndarray,
    before: int,
    memory: float,
    every: float,
    *,
    sudden: bool,
    rng: np.random.Generator,
) -> np.ndarray:
    """[DRAWS] delays of the reference in noise drawn anew."""
    memory = MEMORIES[np.abs(MEMORIES - memory).argmin()]
    peak = int(np.abs(signal).argmax())
    pace = abs(signal[peak]) if sudden else abs(signal[peak]) / max(day[peak] - day[before - 1], 7.0) * 30
    size, law = float(SIZES[np.abs(np.log(SIZES / pace)).argmin()]), STEP if sudden else RAMP
    limit = threshold(law, size, float(memory), float(np.round(every, -3)), series=THRESHOLD_SERIES)
    noise = rng.standard_normal((DRAWS, len(day)))
    rho = np.exp(-np.diff(day) / memory_days(memory))
    for i in range(1, len(day)):
        noise[:, i] = rho[i - 1] * noise[:, i - 1] + np.sqrt(1 - rho[i - 1] ** 2) * noise[:, i]
    start = np.arange(0, DRAWS * len(day) + 1, len(day))
    found = evidence(
        (noise + signal).ravel(), np.tile(day, DRAWS), start, np.full(DRAWS, memory_days(memory)), law, size
    )
    delay = first_after(found > limit, start, start[:-1] + before)
    return np.where(np.isnan(delay), np.inf, delay)
