"""What is held of a depot's slipped month on simulated fleets with all their dirt, by the store's own road.

Run: python tests/benchmarks/held_simulated.py [VEHICLES] [WEEKS] [SEED ...] (default 150, 60, 21 22 23 24). Each fleet
is simulated, one depot's readings of five months are put into another unit (per cent as fractions, degrees Fahrenheit,
miles, inches of mercury, one correction a hundred times too large), everything is loaded, and what is held is compared
with what was planted and with the simulator's own list of dirt. `needless`: readings with a batch held that neither
names. Intervals are exact 95 % ones.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
from held_proof import KEY, cells_held, shown

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.handover import Evidence
from pipelines.held.finding import MISREAD
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

PER_CENT = tuple(built_in_corrections().filter(pl.col("unit") == "%")["code"])
SLIPS = {  # columns, factor, what is added
    "fraction": (PER_CENT, 1 / 100, 0.0),
    "degF": (("ambient_c", "coolant_c"), 1.8, 32.0),
    "mi": (("odometer_km",), 1 / 1.609344, 0.0),
    "inHg": (("baro_kpa",), 1 / 3.386389, 0.0),
    "hundred": (("throttle_area",), 100.0, 0.0),
}
Planted = dict[str, tuple[pl.DataFrame, list[str]]]  # kind -> keys of the readings, columns


def plant(drops: Path, rng: np.random.Generator) -> Planted:
    """Put five months of a depot each into another unit, in their files; what was planted."""
    named = pl.concat([pl.read_csv(f, infer_schema=False) for f in drops.glob("*/vehicles*.csv")], how="diagonal")
    vehicles = named.unique("vehicle_id", keep="last")
    months = sorted(folder for folder in drops.iterdir() if any(folder.glob("snapshots*")))
    planted: Planted = {}
    for kind, month in zip(SLIPS, rng.choice(months[2:-2], len(SLIPS), replace=False), strict=True):
        columns, factor, added = SLIPS[kind]
        depot = rng.choice(sorted(vehicles["depot"].drop_nulls().unique()))
        there = vehicles.filter(pl.col("depot") == depot)["vehicle_id"].implode()
        for file in month.glob("snapshots*.parquet"):
            frame = pl.read_parquet(file)
            slipped = [name for name in columns if name in frame.columns]
            here = pl.col("vehicle_id").is_in(there)
            wrong = [
                pl.when(here).then(pl.col(name).cast(pl.Float64) * factor + added).otherwise(pl.col(name)).alias(name)
                for name in slipped
            ]
            frame.with_columns(wrong).write_parquet(file)
            keys = frame.filter(here).select(KEY)
            before = planted.get(kind, (keys.clear(), slipped))[0]
            planted[kind] = (pl.concat([before, keys]), slipped)
    return planted


def dirty_readings(truth: Path, readings: pl.DataFrame) -> pl.DataFrame:
    """Keys of readings that lie in a piece of the simulator's own dirt."""
    pieces = pl.read_parquet(truth / "dirt" / "*.parquet").drop_nulls(["vehicle_id", "from_at", "to_at"])
    beside = readings.join(pieces, on="vehicle_id").filter(pl.col("read_at").is_between("from_at", "to_at"))
    return beside.select(KEY).unique()


def held_batches(known: Evidence) -> pl.DataFrame:
    """Keys of readings in which something waits for a decision."""
    waiting = known.held.batches.filter(pl.col("looks_like") != MISREAD)
    for row in waiting.select("file", "depot", "correction", "looks_like", "vehicles", "readings").iter_rows():
        print("   ", *row)
    return known.held.readings.select(KEY)


def main(vehicles: int, weeks: int, seeds: list[int]) -> None:
    """Print the figures."""
    shares, needless, misread_out, seen = [], 0, 0, 0
    for seed in seeds:
        with tempfile.TemporaryDirectory(prefix="held-") as place:
            out = Path(place) / "fleet"
            simulate(read_scenario(), vehicles=vehicles, weeks=weeks, seed=seed, out=out)
            truth = (out / "truth").rename(Path(place) / "truth")
            planted = plant(out, np.random.default_rng(seed))
            store = Store(Path(place) / "store")
            load(store, sorted(out.iterdir()))
            known = read_evidence(store)
            readings = pl.concat([known.snapshots.select(KEY), known.held.readings.select(KEY)]).unique()
            for kind, (keys, columns) in planted.items():
                clean = keys.join(readings, on=KEY, how="semi").join(dirty_readings(truth, keys), on=KEY, how="anti")
                share = float(np.mean([cells_held(known, clean, name) for name in columns]))
                shares.append(share)
                print(f"  seed {seed}, {kind}: {share:.3f} of the cells of {clean.height} readings held", flush=True)
            excused = pl.concat([dirty_readings(truth, readings), *(keys for keys, _ in planted.values())])
            whole = held_batches(known).join(excused, on=KEY, how="anti")
            singles = known.held.cells.join(excused, on=KEY, how="anti").drop_nulls("column_name")
            needless += whole.join(singles.select(KEY), on=KEY, how="anti").height
            misread_out += singles.height
            seen += readings.height
    held = sum(share >= 0.95 for share in shares)
    print(f"batch slips held: {shown(held, len(shares))} (wished: 0.99)")
    print(f"readings held without need: {needless} of {seen}: {100 * needless / seen:.3f} % (wished: at most 0.1)")
    print(f"good cells left out: {misread_out} in {seen} readings")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given[:2] + [150, 60][len(given[:2]) :]), given[2:] or [21, 22, 23, 24])
