"""What is held of planted dirt, and what is held without need, on light fleets of another generator than the demo's.

Run: python tests/benchmarks/held_proof.py [VEHICLES] [WEEKS] [SEED ...] (default 120, 78, 1 2 3 4). Files are monthly,
a depot's rows a batch. Planted, each in a file of its own: a depot's per cent as fractions, one column a hundred times
too large, degrees Fahrenheit, miles, inches of mercury, a reader that repeats old values, two vehicles exchanged, a
module that brings another vehicle's history, and single misread values at least ten usual changes off. What moves a
fleet by itself (season, a new fuel, calibrations, resets, modules, defects) is in it too, and must not be held.

`held`: batches of which at least 95 in a hundred cells are held. `needless`: vehicle-weeks with a held reading that no
dirt is in. `false alarms`: of corrections without a defect, with the dirt over without it, the same vehicles; 95 %
interval by resampling vehicles. Intervals of shares are exact 95 % ones.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from drift_fleets import Fleet, World, light_fleet
from drift_promise import Truth
from drift_simulated import keys_of
from held_false import false_alarms, paired
from scipy.stats import binomtest

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.handover import Drift, Evidence
from pipelines.held.finding import MISREAD
from pipelines.held.readings import Readings
from pipelines.held.stage import DECISIONS, Withheld, withhold
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings

KEY = ["vehicle_id", "read_at"]
PER_CENT = 12  # of the corrections
MISREADS = 0.0005  # of the cells
PROMISE = 0.5  # false alarms a vehicle-year: enough of them to compare
WORLD = {
    "families": 2, "corrections": 24, "depots": 3, "memory": (0.2, 0.5, 0.8), "tails": (0.0, 6.0),
    "step": (0.0, 0.5, 0.0),
    "wander": 0.2, "switch": 2.0, "switch_lag": 10.0, "irregular": 0.1, "missed": 0.05, "joining": 0.1, "resets": 0.2,
    "modules": 0.05, "calibrations": 1, "learn_hours": 4.0, "drifting": 0.2,
}  # fmt: skip


@dataclass(frozen=True)
class Planted:
    """One kind of dirt: the rows it is in, its columns (empty: whole readings)."""

    kind: str
    rows: np.ndarray
    columns: tuple[str, ...]


def readings_of(frame: pl.DataFrame, evidence: Evidence) -> Readings:
    """Readings in monthly files."""
    month = frame["read_at"].dt.strftime("%Y%m").cast(pl.Int32)
    catalogue = evidence.corrections.with_columns(
        unit=pl.when(pl.int_range(pl.len()) < PER_CENT).then(pl.lit("%")).otherwise(pl.lit("kPa"))
    )
    named = frame.with_columns(load_id=month, readings_load_id=pl.lit(None, pl.Int32))
    return Readings(frame=named, vehicles=evidence.vehicles, catalogue=catalogue)


def weathered(fleet: Fleet, rng: np.random.Generator) -> pl.DataFrame:
    """The snapshots with circumstances, every vehicle's odometer from its own beginning."""
    day, vehicle = fleet.day, fleet.vehicle
    begin, n = rng.uniform(2_000, 150_000, vehicle.max() + 1), len(day)
    return fleet.evidence.snapshots.with_columns(
        odometer_km=pl.Series((begin[vehicle] + 50 * day).round(0)),
        ignition_hours=pl.Series((begin[vehicle] / 35 + 1.5 * day).round(1)),
        ambient_c=pl.Series((11 - 10 * np.cos(day / 58) + rng.normal(0, 3, n)).round(1)),
        baro_kpa=pl.Series((100 + rng.normal(0, 1, n)).round(1)),
        reader=pl.Series([f"reader-{v % 4}" for v in vehicle]),
    )


def soiled(frame: pl.DataFrame, fleet: Fleet, rng: np.random.Generator) -> tuple[pl.DataFrame, list[Planted]]:
    """The same with dirt, and what was planted."""
    codes = [name for name in frame.columns if name.startswith("channel_")]
    months = frame["read_at"].dt.strftime("%Y-%m")
    inner = sorted(months.unique().to_list())[3:-3]
    drawn = list(rng.choice(inner, 8, replace=False))
    at = dict(fleet.evidence.vehicles.select("vehicle_id", "depot").iter_rows())
    depot = np.array([at[name] for name in frame["vehicle_id"]])
    kinds = ("fraction", "hundred", "degF", "mi", "inHg", "repeated")
    some = {
        kind: np.flatnonzero((months == month).to_numpy() & (depot == f"depot-{rng.integers(3)}"))
        for kind, month in zip(kinds, drawn, strict=False)
    }
    planted, per_cent, one = [], codes[:PER_CENT], codes[int(rng.integers(PER_CENT, len(codes)))]
    for kind, columns, change in (
        ("fraction", per_cent, lambda x: x / 100), ("hundred", [one], lambda x: x * 100),
        ("degF", ["ambient_c"], lambda x: x * 1.8 + 32), ("mi", ["odometer_km"], lambda x: x / 1.609344),
        ("inHg", ["baro_kpa"], lambda x: x / 3.386389),
    ):  # fmt: skip
        rows = some[kind]
        frame = frame.with_columns(
            frame[name].scatter(rows, change(frame[name].gather(rows).cast(pl.Float64)).cast(frame.schema[name]))
            for name in columns
        )
        planted.append(Planted(kind, rows, tuple(columns)))
    stale = np.array(
        [r for r in some["repeated"] if r - 1 in set(some["repeated"]) and fleet.vehicle[r] == fleet.vehicle[r - 1]]
    )
    held = {code: frame[code].to_numpy().copy() for code in codes}
    for r in stale:
        for code in codes:
            held[code][r] = held[code][r - 1]
    planted.append(Planted("repeated", stale, tuple(codes)))
    pair = [v for v in rng.permutation(fleet.vehicle.max() + 1) if v % 2 == 0][:2]
    exchanged = np.flatnonzero((months == drawn[6]).to_numpy() & np.isin(fleet.vehicle, pair))
    names = frame["vehicle_id"].to_list()
    first = {v: names[int(np.flatnonzero(fleet.vehicle == v)[0])] for v in pair}
    swapped = pl.Series([first[pair[1]] if fleet.vehicle[r] == pair[0] else first[pair[0]] for r in exchanged])
    rows = rng.choice(len(frame), int(MISREADS * len(frame) * len(codes)))
    misread: dict[str, list[int]] = {code: [] for code in codes}
    for r, code in zip(rows, rng.choice(codes, len(rows)), strict=True):
        usual = np.nanmedian(np.abs(np.diff(held[code]))[np.diff(fleet.vehicle) == 0])
        alone = 2 <= r < len(frame) - 2 and fleet.vehicle[r - 2] == fleet.vehicle[r] == fleet.vehicle[r + 2]
        if alone and not any(r in p.rows for p in planted) and r not in exchanged:
            held[code][r] += rng.choice([-1, 1]) * rng.uniform(12, 40) * usual
            misread[code].append(int(r))
    frame = frame.with_columns(pl.Series(code, values) for code, values in held.items())
    frame = frame.with_columns(frame["vehicle_id"].scatter(exchanged, swapped))
    planted.append(Planted("exchanged", exchanged, ()))
    planted += [Planted("misread", np.array(at), (code,)) for code, at in misread.items() if at]
    return frame, planted


def cells_held(known: Withheld, keys: pl.DataFrame, column: str | None) -> np.ndarray:
    """[n] whether the cell, or the whole reading, is held."""
    cells = known.held.cells
    here = cells.filter(
        pl.col("column_name").is_null()
        if column is None
        else pl.col("column_name").is_null() | (pl.col("column_name") == column)
    )
    return (
        keys.join(here.select(KEY).unique().with_columns(held=True), on=KEY, how="left", maintain_order="left")["held"]
        .is_not_null()
        .to_numpy()
    )


def drift_of(evidence: Evidence, snapshots: pl.DataFrame, fleet: Fleet) -> tuple[Drift, dict[str, Truth]]:
    """What the drift stage makes of these snapshots, and the truth at their rows."""
    evidence = replace(evidence, snapshots=snapshots)
    history = reconstruct(evidence)
    settings = Settings(false_alarms_per_vehicle_year=PROMISE)
    drift = straying(panels(evidence, history), evidence=evidence, history=history, settings=settings)
    place = fleet.evidence.snapshots.select(KEY).with_row_index("place")
    truths = {}
    for family in drift.families:
        at = keys_of(family.panel).join(place, on=KEY, maintain_order="left", how="left")["place"].to_numpy()
        columns = [int(code.removeprefix("channel_")) - 1 for code in family.panel.codes]
        change, benign = (each[at][:, columns] for each in (fleet.plants.change, fleet.plants.benign))
        truths[family.panel.family] = Truth(deviation=change, benign=benign, marks={})
    return drift, truths


def main(vehicles: int, weeks: int, seeds: list[int]) -> None:
    """Print the figures."""
    batch, misread, good_out, good, needless, weeks_seen = [], [], 0, 0, 0, 0
    clean_alarms, dirty_alarms = [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        fleet = light_fleet(World(**{**WORLD, "vehicles": vehicles, "weeks": weeks, "seed": seed}))
        right = weathered(fleet, rng)
        wrong, planted = soiled(right, fleet, rng)
        wrong_sorted = wrong.sort(KEY)
        read = readings_of(wrong_sorted, fleet.evidence)
        loads = pl.DataFrame({"load_id": read.frame["load_id"].unique().sort()}).with_columns(
            drop_name=pl.lit("d"),
            file=pl.col("load_id").cast(pl.String),
            content_hash=pl.col("load_id").cast(pl.String),
        )
        ev = fleet.evidence
        known = withhold(read, ev.faults, ev.work, loads=loads, decisions=DECISIONS.to_frame())
        dirty = {kind: np.zeros(len(wrong), bool) for kind in ("any",)}
        for one in planted:
            keys = wrong[one.rows].select(KEY)
            shares = [cells_held(known, keys, column) for column in (one.columns or (None,))]
            dirty["any"][one.rows] = True
            if one.kind == "misread":
                misread += list(shares[0])
            else:
                share = float(np.mean(shares))
                batch.append((one.kind, share))
                print(f"  seed {seed}, {one.kind}: {share:.3f} of the cells held", flush=True)
        keys = wrong.select(KEY)
        by_batch = (
            keys.join(
                known.held.readings.select(KEY).with_columns(held=True), on=KEY, how="left", maintain_order="left"
            )["held"]
            .is_not_null()
            .to_numpy()
        )
        needless += int((by_batch & ~dirty["any"]).sum())
        weeks_seen += len(wrong)
        waiting = known.held.batches.filter(pl.col("looks_like") != MISREAD)
        for row in waiting.select("file", "depot", "correction", "looks_like", "vehicles", "readings").iter_rows():
            print("   ", *row)
        singles = known.held.cells.join(keys.filter(pl.Series(dirty["any"])), on=KEY, how="anti").drop_nulls(
            "column_name"
        )
        good_out += singles.height
        good += len(wrong) * 24
        names = sorted(ev.vehicles["vehicle_id"])
        for snapshots, of in ((right, clean_alarms), (known.snapshots, dirty_alarms)):
            of.append(false_alarms(*drift_of(ev, snapshots.select(ev.snapshots.columns), fleet), names))
    held = sum(share >= 0.95 for _, share in batch)
    print(f"batch slips held: {shown(held, len(batch))} (wished: 0.99)")
    print(f"single misreads left out: {shown(int(sum(misread)), len(misread))} (wished: 0.95)")
    print(f"good values left out: {good_out} of {good}: {100 * good_out / good:.4f} % (wished: at most 0.05)")
    share = 100 * needless / weeks_seen
    print(f"vehicle-weeks held without need: {needless} of {weeks_seen}: {share:.3f} % (wished: at most 0.1)")
    print(paired(f"promise {PROMISE:g}", np.concatenate(clean_alarms), np.concatenate(dirty_alarms)))


def shown(part: int, of: int) -> str:
    """A share with its interval."""
    found = binomtest(part, of).proportion_ci()
    return f"{part} of {of}: {part / of:.3f} ({found.low:.3f} to {found.high:.3f})"


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given[:2] + [120, 78][len(given[:2]) :]), given[2:] or [1, 2, 3, 4])
