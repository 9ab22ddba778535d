"""What is held of dirty simulated fleets, by the store's own road: depots' slips, single misread values, good readings.

Run: python tests/benchmarks/held_simulated.py [VEHICLES] [WEEKS] [SEED ...] (default 200, 78, 31 32 33 34). Each fleet
is simulated with all its dirt, months of depots' slips among it, and once more without any; everything is loaded, and
what is held is compared with the simulator's own list.

`batches`: slips of a depot's month of which at least 95 in a hundred cells are held; months in which a depot has two
are left out, and those that spoilt no reading: of old values repeated, each vehicle's first is a true one. `needless`:
readings with a batch held in which no dirt is. `misread`: by how far they are off, in sigmas of the correction's
healthy noise; a value within three is no further off than good ones. A newest value is not judged before the next
reading. `false alarms`: with the dirt over without it, the same vehicles. Intervals of shares are exact 95 % ones.
"""

import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
from drift_simulated import Simulated, truths_of
from held_false import false_alarms, paired
from held_proof import KEY, cells_held, shown

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.handover import Evidence
from pipelines.held.finding import MISREAD
from pipelines.intake.load import load
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

KINDS = ("fractions", "fahrenheit", "miles", "inches", "point_lost", "repeats")
A_YEAR = 0.6  # slips of each kind, a depot
PROMISES = (0.1, 0.5)  # false alarms a vehicle-year
SIGMAS = (0.0, 3.0, 6.0, 10.0, np.inf)


def fleet(place: Path, *, vehicles: int, weeks: int, seed: int, dirty: bool) -> Simulated:
    """A fleet simulated and loaded; the simulator's truth beside its store."""
    rates = {f"depot_{kind}_per_depot_year": A_YEAR for kind in KINDS}
    changes = {"dirt": rates if dirty else {"enabled": False}}
    drops, folder = place / "drops", place / ("dirty" if dirty else "clean")
    simulate(read_scenario(changes=changes), vehicles=vehicles, weeks=weeks, seed=seed, out=drops)
    folder.mkdir()
    (drops / "truth").rename(folder / "truth")
    load(Store(folder / "store"), sorted(drops.iterdir()))
    return Simulated(folder=folder, name=f"{seed}")


def of_depots(dirt: pl.DataFrame) -> list[tuple[str, pl.DataFrame]]:
    """Kind and pieces (a vehicle each) of each depot's month with one slip."""
    slips = dirt.filter(pl.col("kind").str.starts_with("depot_")).with_columns(
        month=pl.col("from_at").dt.truncate("1mo")
    )
    alone = slips.filter(pl.col("kind").n_unique().over("detail", "month") == 1)
    parts = alone.partition_by("detail", "month", maintain_order=True)
    return [(part["kind"][0], part) for part in parts]


def inside(readings: pl.DataFrame, pieces: pl.DataFrame) -> pl.DataFrame:
    """Keys of the readings that lie in one of the pieces."""
    spans = pieces.drop_nulls(["vehicle_id", "from_at", "to_at"]).select("vehicle_id", "from_at", "to_at")
    beside = readings.join(spans, on="vehicle_id").filter(pl.col("read_at").is_between("from_at", "to_at"))
    return beside.select(KEY).unique(maintain_order=True)


def share_held(known: Evidence, pieces: pl.DataFrame, readings: pl.DataFrame, others: pl.DataFrame) -> float | None:
    """Of the cells of a slip in readings with no other dirt; None: there are none."""
    clean = inside(readings, pieces).join(inside(readings, others), on=KEY, how="anti")
    codes = set(known.snapshots.columns)
    if pieces["column"][0] == "*":  # each vehicle's first reading of the month is a true one
        clean = clean.filter(pl.col("read_at") > pl.col("read_at").min().over("vehicle_id"))
    if clean.is_empty():
        return None
    if pieces["column"][0] == "*":
        return float(clean.join(known.held.readings, on=KEY, how="semi").height / clean.height)
    columns = [name for name in pieces["column"][0].split(", ") if name in codes]
    return float(np.mean([cells_held(known, clean, name) for name in columns]))


def misread(known: Evidence, fleet: Simulated, came: pl.DataFrame) -> pl.DataFrame:
    """Each value that the simulator misread: sigmas off, whether a reading of the vehicle follows, and `held`."""
    dirt = fleet.truth("dirt").filter(pl.col("kind") == "misread")
    right = dirt.select(
        "vehicle_id", read_at="from_at", code="column", right=pl.col("detail").str.slice(4).cast(pl.Float64)
    )
    newest = came.group_by("vehicle_id").agg(newest=pl.col("read_at").max())
    found = right.join(came, on=[*KEY, "code"]).join(newest, on="vehicle_id")
    families = known.vehicles.select("vehicle_id", "engine_family")
    noise = fleet.truth("noise").select("engine_family", "sigma", code="correction")
    off = found.join(families, on="vehicle_id").join(noise, on=["engine_family", "code"])
    off = off.with_columns(sigmas=(pl.col("value") - pl.col("right")).abs() / pl.col("sigma")).filter(
        pl.col("sigmas") > 0
    )
    held = np.concatenate(
        [
            np.zeros(0, bool),
            *(cells_held(known, part.select(KEY), part["code"][0]) for part in off.partition_by("code")),
        ]
    )
    parts = pl.concat([off.clear(), *off.partition_by("code")])
    return parts.select("sigmas", followed=pl.col("read_at") < pl.col("newest"), held=pl.Series(held))


def main(vehicles: int, weeks: int, seeds: list[int]) -> None:
    """Print the figures."""
    shares, misreads, needless, good_out, good, seen = [], [], 0, 0, 0, 0
    alarms = {promise: ([], []) for promise in PROMISES}
    for seed in seeds:
        with tempfile.TemporaryDirectory(prefix="held-") as place:
            clean, dirty = (
                fleet(Path(place), vehicles=vehicles, weeks=weeks, seed=seed, dirty=each) for each in (False, True)
            )
            known, dirt = (
                dirty.evidence,
                dirty.truth("dirt").with_columns(pl.col("from_at", "to_at").cast(pl.Datetime("us", "UTC"))),
            )
            came = values_as_they_came(Store(dirty.folder / "store"))
            readings = came.select(KEY).unique()
            for kind, pieces in of_depots(dirt):
                others = dirt.filter(~((pl.col("kind") == kind) & (pl.col("detail") == pieces["detail"][0])))
                share = share_held(known, pieces, readings, others)
                if share is not None:
                    shares.append(share)
                    print(f"  seed {seed}, {kind}: {share:.3f} of the cells held", flush=True)
            soiled = inside(readings, dirt)
            waiting = known.held.readings.select(KEY).join(soiled, on=KEY, how="anti")
            needless, seen = needless + waiting.height, seen + readings.height
            out = known.held.cells.drop_nulls("column_name").join(soiled, on=KEY, how="anti")
            good_out, good = good_out + out.height, good + came.height
            misreads.append(misread(known, dirty, came))
            names = sorted(known.vehicles["vehicle_id"])
            for promise, counts in alarms.items():
                for which, of in zip((clean, dirty), counts, strict=True):
                    of.append(false_alarms(which.drift(promise), truths_of(which), names))
            for row in known.held.batches.filter(pl.col("looks_like") != MISREAD).iter_rows(named=True):
                if inside(readings, dirt).filter(pl.col("vehicle_id").is_in(row["vehicle_ids"].split())).is_empty():
                    print("   without dirt:", row["file"], row["depot"], row["looks_like"], row["vehicle_ids"])
    print(f"batches held: {shown(sum(share >= 0.95 for share in shares), len(shares))} (wished: 0.99)")
    print(f"readings held without need: {needless} of {seen}: {100 * needless / seen:.3f} % (wished: at most 0.1)")
    print(f"good values left out: {good_out} of {good}: {100 * good_out / good:.4f} % (wished: at most 0.05)")
    told = pl.concat(misreads)
    print(f"misread values left out, of any size: {shown(int(told['held'].sum()), told.height)} (wished: 0.95)")
    for low, high in pairwise(SIGMAS):
        part = told.filter("followed", pl.col("sigmas") > low, pl.col("sigmas") <= high)
        print(f"  {low:g} to {high:g} sigmas off, a reading follows: {shown(int(part['held'].sum()), part.height)}")
    print(f"  in a vehicle's newest reading: {told.filter(~pl.col('followed')).height}")
    for promise, (without, with_dirt) in alarms.items():
        print(paired(f"promise {promise:g}", np.concatenate(without), np.concatenate(with_dirt)))


def values_as_they_came(store: Store) -> pl.DataFrame:
    """vehicle_id, read_at, code, value of every cell as it is stored."""
    with store.reading() as connection:
        wide = frame_of(connection, "SELECT * FROM snapshots")
    codes = [code for code in built_in_corrections()["code"] if code in wide.columns]
    return wide.select(*KEY, *codes).unpivot(codes, index=KEY, variable_name="code").drop_nulls("value")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given[:2] + [200, 78][len(given[:2]) :]), given[2:] or [31, 32, 33, 34])
