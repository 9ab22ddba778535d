"""Fleets of the simulator with their truth: made once a folder, loaded as a user would, read as of their last day."""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import polars as pl
from drift_promise import Truth, Watched, rate_lines
from drift_table import Line

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.handover import Drift, Evidence, History, Panel
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

AFTER_DAYS = 56  # how long a stratum lasts after what happened
DIRT_DAYS = 28
SELDOM_DAYS = 10.0  # median days between readings of those called irregular
SWITCHES = (4, 10)  # months in which the blend changes


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """One simulated fleet in its folder."""

    folder: Path
    name: str

    @cached_property
    def evidence(self) -> Evidence:
        """Everything it handed over."""
        return read_evidence(Store(self.folder / "store"))

    @cached_property
    def history(self) -> History:
        """As the stage `history` puts it in order."""
        return reconstruct(self.evidence)

    @cached_property
    def panels(self) -> tuple[Panel, ...]:
        """Of every family."""
        return panels(self.evidence, self.history)

    def truth(self, table: str) -> pl.DataFrame:
        """One table of the truth."""
        return pl.read_parquet(self.folder / "truth" / table / "*.parquet")

    def drift(self, promise: float) -> Drift:
        """Bands and drift at this promise."""
        settings = Settings(false_alarms_per_vehicle_year=promise)
        return straying(self.panels, evidence=self.evidence, history=self.history, settings=settings)


def simulated(
    cache: Path, *, vehicles: int, weeks: int, seed: int, defects: bool, planted: dict[str, object] | None = None
) -> Simulated:
    """A fleet of the demo's scenario, with what is planted, or without any defect; made if the cache lacks it."""
    name = f"{'planted' if planted else 'defects' if defects else 'healthy'}-{vehicles}x{weeks}-{seed}"
    folder = cache / name
    if not (folder / "made").exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        scenario = read_scenario(changes=planted if defects else healthy_changes())
        simulate(scenario, vehicles=vehicles, weeks=weeks, seed=seed, out=folder / "drops")
        (folder / "drops" / "truth").rename(folder / "truth")
        load(Store(folder / "store"), sorted((folder / "drops").iterdir()))
        shutil.rmtree(folder / "drops")
        (folder / "made").touch()
    return Simulated(folder=folder, name=name)


def healthy_changes() -> dict[str, object]:
    """Of the demo's scenario: nothing ever fails."""
    causes = {cause: {"rate": 0.0} for cause in read_scenario()["causes"]}
    return {"causes": causes, "sudden_per_1000_years": 0.0, "fuel": {"bad_tanks_per_depot_year": 0.0}}


def promise_lines(
    cache: Path, *, vehicles: int, weeks: int, seeds: range, promises: tuple[float, ...]
) -> Iterator[Line]:
    """False alarms over the promise, without and with defects, pooled over seeds."""
    for of, defects in (("simulated, healthy", False), ("simulated, null part with defects", True)):
        fleets = [simulated(cache, vehicles=vehicles, weeks=weeks, seed=seed, defects=defects) for seed in seeds]
        truths = [truths_of(fleet) for fleet in fleets]
        for promise in promises:
            parts = [
                Watched.of(fleet.drift(promise), truth, name=fleet.name)
                for fleet, truth in zip(fleets, truths, strict=True)
            ]
            yield from rate_lines(Watched.together(parts), promise, of, strata=True)


def truths_of(fleet: Simulated) -> dict[str, Truth]:
    """Each family's truth: the noise-free deviation at the week's end before or after the reading, and strata.

    The larger of the two: the reading just before a repair is no healthy one.
    """
    rows = fleet.truth("deviation").filter(pl.col("in_sigma").abs() >= 0.25)
    return {panel.family: _truth(panel, rows, fleet) for panel in fleet.panels}


def _truth(panel: Panel, rows: pl.DataFrame, fleet: Simulated) -> Truth:
    keys = keys_of(panel)
    deviation = np.zeros(panel.values.shape, dtype=np.float32)
    benign = np.zeros(panel.values.shape, dtype=bool)
    sides = np.zeros((2, *panel.values.shape), dtype=np.float32)  # at the week's end before, and after
    if rows.height:
        weeks = fleet.truth("deviation").select("week_end").unique().sort("week_end")
        ends = [
            keys.sort("read_at").join_asof(weeks, left_on="read_at", right_on="week_end", strategy=side, tolerance="7d")
            for side in ("backward", "forward")
        ]
        codes = pl.DataFrame({"correction": panel.codes}).with_row_index("column")
        for side, end in zip(sides, ends, strict=True):
            mine = end.join(rows, on=["vehicle_id", "week_end"]).join(codes, on="correction")
            side[mine["row"].to_numpy(), mine["column"].to_numpy()] = mine["in_sigma"].to_numpy()
        found = pl.concat(ends).join(rows, on=["vehicle_id", "week_end"]).join(codes, on="correction")
        found = found.sort(pl.col("in_sigma").abs())  # the larger is written last, and stands
        at = (found["row"].to_numpy(), found["column"].to_numpy())
        deviation[at] = found["in_sigma"].to_numpy()
        benign[at] = (found["counts_as"] == "benign").to_numpy()
    gap = keys.with_columns(gap=pl.col("read_at").diff().over("vehicle_id").dt.total_seconds() / 86_400)
    seldom = gap.select(pl.col("gap").median().over("vehicle_id") > SELDOM_DAYS)["gap"].fill_null(value=False)
    marks = {
        "fuel-switch weeks": keys["read_at"].dt.month().is_in(SWITCHES).to_numpy(),
        "irregular readers": seldom.to_numpy(),
    }
    happened = fleet.truth("happenings").select("vehicle_id", pl.col("at").alias("since"), kind="what")
    repaired = fleet.truth("repairs").select("vehicle_id", pl.col("done_at").alias("since"), kind=pl.lit("repair"))
    for (kind,), events in pl.concat([happened, repaired]).sort("since").group_by("kind", maintain_order=True):
        marks[f"8 weeks after {str(kind).replace('_', ' ')}"] = _within(keys, events, AFTER_DAYS)
    dirt = fleet.truth("dirt").drop_nulls("from_at").filter(pl.col("vehicle_id") != "")
    pieces = dirt.select("vehicle_id", since=pl.col("from_at").dt.replace_time_zone("UTC")).sort("since")
    marks["4 weeks after dirt"] = _within(keys, pieces, DIRT_DAYS)
    sure = np.where(sides[0] * sides[1] > 0, np.abs(sides).min(axis=0), 0.0)
    return Truth(deviation=deviation, benign=benign, marks=marks, sure=sure)


def keys_of(panel: Panel) -> pl.DataFrame:
    """`row, vehicle_id, read_at` of each row."""
    names = np.repeat(np.array(panel.vehicles, dtype=object), np.diff(panel.row_start)).tolist()
    read_at = pl.Series(panel.read_at).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    return pl.DataFrame({"vehicle_id": names, "read_at": read_at}).with_row_index("row")


def _within(keys: pl.DataFrame, events: pl.DataFrame, days: int) -> np.ndarray:
    """[R] within some days after an event of the vehicle."""
    times = events.select("vehicle_id", pl.col("since").cast(pl.Datetime("us", "UTC")))
    joined = keys.sort("read_at").join_asof(
        times, left_on="read_at", right_on="since", by="vehicle_id", tolerance=f"{days}d", check_sortedness=False,
    )  # fmt: skip
    return joined.sort("row")["since"].is_not_null().to_numpy()
