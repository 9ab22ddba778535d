"""How many resets and power losses `history` finds when nobody recorded them, and how many it sees where there is none.

Run: python tests/benchmarks/history_proof.py [VEHICLES] [WEEKS] [SEED ...] (default 300, 78, 31 and 32). Each fleet is
looked at as it was handed over, then without any row of work, then also without the counters since the last clear. More
fleets come from another generator than `simulate`, written here: other noise, levels and pace of learning, no work, no
clock, no counters. With LEEWAY_TURBOFAN set, its records are looked at too: they hold no reset. Intervals are exact
95 % ones (Clopper and Pearson, 1934).
"""

import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from click.testing import CliRunner
from scipy.stats import beta

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.command import simulate

SETTLED = 5  # readings before a reset, before it counts as one to be found
RESETS = ("reset", "codes_cleared", "values_lost_with_power")  # of the simulator's happenings
TIME = pl.Datetime("us", "UTC")
WEEKLY_H = 30.0  # ignition hours a week of the painted fleets


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Evidence and what really happened: vehicle_id, at of resets and of power losses (null: not known)."""

    name: str
    evidence: Evidence
    resets: pl.DataFrame
    power_losses: pl.DataFrame | None


def main(vehicles: int, weeks: int, seeds: list[int]) -> None:
    """Print recall, precision and false resets a vehicle-year of every fleet."""
    for fleet in _fleets(vehicles, weeks, seeds):
        _report(fleet, fleet.evidence, "as handed over")
        if fleet.evidence.work.is_empty():
            continue
        bare = replace(fleet.evidence, work=fleet.evidence.work.head(0))
        _report(fleet, bare, "work struck out")
        counters = [pl.lit(None).cast(pl.Float64).alias(c) for c in ("warmups_since_clear", "km_since_clear")]
        _report(fleet, replace(bare, snapshots=bare.snapshots.with_columns(counters)), "work and counters struck out")


def _fleets(vehicles: int, weeks: int, seeds: list[int]) -> Iterator[Fleet]:
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            yield _simulated(Path(name), vehicles, weeks, seed)
    for seed in seeds:
        yield _painted(vehicles, weeks, seed)
    if folder := os.environ.get("LEEWAY_TURBOFAN"):
        with tempfile.TemporaryDirectory() as name:
            store = Store(Path(name) / "store")
            load(store, [Path(folder)])
            none = pl.DataFrame(schema={"vehicle_id": pl.String, "at": TIME})
            yield Fleet(name="turbofan", evidence=read_evidence(store), resets=none, power_losses=none)


def _simulated(folder: Path, vehicles: int, weeks: int, seed: int) -> Fleet:
    out, store = folder / "fleet", Store(folder / "store")
    arguments = ["--vehicles", str(vehicles), "--weeks", str(weeks), "--seed", str(seed), "--out", str(out)]
    CliRunner().invoke(simulate, arguments, catch_exceptions=False)
    for month in sorted(path for path in out.iterdir() if path.name != "truth"):
        load(store, [month])
    happened = pl.read_parquet(out / "truth" / "happenings").with_columns(pl.col("at").dt.cast_time_unit("us"))
    told = {
        name: happened.filter(pl.col("what").is_in(kinds)).select("vehicle_id", "at").unique()
        for name, kinds in (("resets", RESETS), ("power_losses", ("power_loss",)))
    }
    return Fleet(name=f"simulated, seed {seed}", evidence=read_evidence(store), **told)


def _painted(vehicles: int, weeks: int, seed: int) -> Fleet:
    """A fleet painted without a model: levels drawn, noise with memory and heavy tails, values learned exponentially.

    Resets come 0.4 times a vehicle-year; as often all of a group moves somewhere else for good, which is none.
    """
    rng = np.random.default_rng([seed, 7])
    catalogue = built_in_corrections().filter(pl.col("needs").is_null())
    low, high, neutral, step = (
        catalogue[name].cast(pl.Float64).to_numpy() for name in ("low_limit", "high_limit", "neutral", "resolution")
    )
    codes, groups = catalogue["code"].to_list(), catalogue["group"].rank("dense").to_numpy()
    room = np.minimum(high - neutral, neutral - low)
    sigma = np.maximum(rng.uniform(0.01, 0.05, len(codes)) * room, 0.5 * step)
    pace = catalogue["learn_hours"].cast(pl.Float64).to_numpy() * np.exp(rng.normal(0.7, 0.8, len(codes)))
    memory = rng.uniform(0.2, 0.8, len(codes))
    usual = neutral + rng.normal(0.0, 0.12, len(codes)) * room
    rows, resets = [], []
    start = datetime(2031, 1, 6, 8, tzinfo=UTC)
    for number in range(vehicles):
        level = usual + rng.normal(0.0, 2.0, len(codes)) * sigma
        learned, noise = level.copy(), np.zeros(len(codes))
        for week in range(weeks):
            at, hours = start + timedelta(days=7.0 * week + rng.uniform(0, 2)), WEEKLY_H * rng.uniform(0.3, 1.7)
            if rng.random() < 0.4 / 52:
                since = rng.uniform(0, 1)
                resets.append({"vehicle_id": f"p{number:04d}", "at": at - timedelta(days=4 * since)})
                learned, hours = neutral.copy(), since * hours
            if rng.random() < 0.4 / 52:
                level = level + (groups == rng.choice(groups)) * rng.normal(0.0, 5.0) * sigma
            learned = level + (learned - level) * np.exp(-hours / pace)
            noise = memory * noise + np.sqrt(1 - memory**2) * rng.standard_t(5, len(codes)) * np.sqrt(0.6)
            read = np.clip(np.round((learned + sigma * noise) / step) * step, low, high)
            rows.append({"vehicle_id": f"p{number:04d}", "read_at": at, **dict(zip(codes, read.tolist(), strict=True))})
    ids = [f"p{number:04d}" for number in range(vehicles)]
    snapshots = pl.DataFrame(rows).with_columns(pl.col(codes).cast(pl.Float32), pl.col("read_at").cast(TIME))
    given = {
        "vehicles": pl.DataFrame({"vehicle_id": ids, "engine_family": "painted"}),
        "snapshots": snapshots,
        "corrections": catalogue,
    }
    frames = {
        name: pl.concat([table.empty(), given[name]], how="diagonal_relaxed").sort(table.key) if name in given
        else table.empty()
        for name, table in drop_tables().items()
        if name != "readings"
    }  # fmt: skip
    return Fleet(
        name=f"painted, seed {seed}",
        evidence=Evidence(as_of=snapshots["read_at"].max(), **frames),
        resets=pl.DataFrame(resets).cast({"at": TIME}),
        power_losses=None,
    )


def _report(fleet: Fleet, evidence: Evidence, given: str) -> None:
    history = reconstruct(evidence)
    places = history.readings.select(
        "vehicle_id", "read_at", number=pl.int_range(pl.len()).over("vehicle_id"), power_lost="power_lost"
    )
    span = places.group_by("vehicle_id").agg(pl.col("read_at").max() - pl.col("read_at").min())["read_at"]
    years = span.dt.total_seconds().sum() / (365.25 * 86_400)
    visible = history.epochs.filter(pl.col("reason").is_in(["calibration", "module"]))
    key = {"left_on": ["vehicle_id", "first_read_at"], "right_on": ["vehicle_id", "read_at"]}
    found = history.epochs.filter(
        ~pl.col("reason").is_in(["first_seen", "calibration", "module"]), pl.col("correction").is_null()
    ).join(places, **key).select("vehicle_id", "number", "reason")  # fmt: skip
    seen = visible.join(places, **key).select("vehicle_id", "number")
    true = _at_readings(fleet.resets, places).join(seen, on=["vehicle_id", "number"], how="anti")
    hit, right = _near(true.filter(pl.col("number") >= SETTLED), found), _near(found, true)
    print(
        f"{fleet.name}, {given}: found {_share(hit)}, of those told {_share(right)} were resets, "
        f"{(~right).sum() / years:.4f} false a vehicle-year"
    )
    by_values = found["reason"] == "values"
    print(f"    by the values alone: {by_values.sum()} told, {_share(right.filter(by_values))} were resets")
    if fleet.power_losses is not None:
        lost = places.filter("power_lost").select("vehicle_id", "number")
        true = _at_readings(fleet.power_losses, places).filter(pl.col("number") > 0)
        print(f"    power losses: found {_share(_near(true, lost))}, right {_share(_near(lost, true))}")


def _at_readings(events: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id and number of the first reading after each event."""
    return (
        events.sort("at")
        .join_asof(
            places.sort("read_at"), left_on="at", right_on="read_at", by="vehicle_id", strategy="forward",
            check_sortedness=False,
        )
        .drop_nulls("number")
        .select("vehicle_id", "number")
        .unique(maintain_order=True)
    )  # fmt: skip


def _near(events: pl.DataFrame, others: pl.DataFrame) -> pl.Series:
    """Whether one of the others is at the same reading of the vehicle, or at the one before or after."""
    beside = pl.concat_list(pl.col("number") + k for k in (-1, 0, 1))
    around = others.select("vehicle_id", number=beside).explode("number")
    marked = events.select("vehicle_id", "number").join(
        around.unique().with_columns(near=True), on=["vehicle_id", "number"], how="left", maintain_order="left"
    )
    return marked["near"].fill_null(value=False)


def _share(hits: pl.Series) -> str:
    count, of = int(hits.sum()), hits.len()
    if of == 0:
        return "0 of 0"
    low = beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return f"{count} of {of} ({count / of:.2f}, {low:.2f} to {high:.2f})"


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given[:2] + [300, 78][len(given[:2]) :]), given[2:] or [31, 32])
