"""Whether tables after `convert` are those of the right files, and after `keep` those of a store that never held.

Run: python tests/benchmarks/held_equality.py [--fleet FOLDER] [--vehicles 150] [--weeks 60] [--seed 99]

A simulated fleet with all its dirt is taken twice: as it is, and with six of its months spoilt as a depot's reader
would (per cent as fractions, degrees Fahrenheit, miles, inches of mercury, a decimal point lost, two vehicles
exchanged). All is done by the command line, each command a process of its own. Of the spoilt one the planted batches
are converted; then everything that is held in it is kept, again and again until nothing is, and compared with an
analysis that leaves the stage out. Compared exactly: all published tables but those that say what was held and what was
entered. Exits with 1 where one differs.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.held.slips import Slip, slips
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store

PER_CENT = tuple(built_in_corrections().filter(pl.col("unit") == "%")["code"])
KINDS = {  # what a column looks like: columns, digits that the reader writes
    "fraction": (PER_CENT, None),
    "degF": (("ambient_c", "coolant_c"), 1),
    "mi": (("odometer_km",), 1),
    "inHg": (("baro_kpa",), 2),
    "decimal point lost: a hundred times too large": (("throttle_area",), None),
}
OF_HOLDING = {"held_reading", "held_history", "held_cell", "entries_counted"}
LEEWAY = "from dashboard.command import main; main()"
NEVER_HELD = """
from dataclasses import replace
from pipelines.handover import HeldReadings
from pipelines.held import batches, stage
import pipelines.store.evidence as evidence
evidence.withhold = lambda readings, faults, work, **_: stage.Withheld(
    snapshots=readings.frame.drop("load_id", "readings_load_id"), faults=faults,
    held=replace(HeldReadings.none(), histories=batches.histories({}, readings)))
"""


def leeway(*words: object, typed: str = "", before: str = "") -> str:
    """Run the command line in a process of its own; what it said."""
    command = [sys.executable, "-c", before + LEEWAY, *map(str, words)]
    done = subprocess.run(command, input=typed, capture_output=True, text=True, check=False)
    if done.returncode not in {0, 3}:
        sys.exit(f"leeway {' '.join(map(str, words))}: {done.stderr}")
    return done.stdout


def spoil(right: Path, wrong: Path, rng: np.random.Generator) -> pl.DataFrame:
    """Spoil months of the one folder, and write into the other what right files would say; file, depot, looks_like."""
    months = sorted(folder for folder in wrong.iterdir() if any(folder.glob("snapshots*.parquet")))
    drawn = rng.choice(months[2:-2], len(KINDS) + 1, replace=False)
    vehicles = pl.concat([pl.read_csv(f, infer_schema=False) for f in wrong.glob("*/vehicles*.csv")], how="diagonal")
    vehicles = vehicles.unique("vehicle_id", keep="last", maintain_order=True)
    depot = str(rng.choice(sorted(vehicles["depot"].drop_nulls().unique())))
    there = vehicles.filter(pl.col("depot") == depot)
    of_kind = {slip.looks_like: slip for slip in slips()}
    planted = []
    for (kind, (columns, digits)), month in zip(KINDS.items(), drawn, strict=False):
        for file in month.glob("snapshots*.parquet"):
            frame = pl.read_parquet(file)
            here = frame["vehicle_id"].is_in(there["vehicle_id"].implode())
            for name in [name for name in columns if name in frame.columns]:
                frame = _slipped(frame, name, here, of_kind[kind], digits)
            said = [name for name in frame.columns if name.endswith(" right")]
            as_right = frame.with_columns(pl.col(name).alias(name.removesuffix(" right")) for name in said)
            as_right.drop(said).write_parquet(right / month.name / file.name)
            frame.drop(said).write_parquet(file)
            planted.append((file.name, depot, kind))
    planted += _exchanged(drawn[-1], depot, there, rng)
    return pl.DataFrame(planted, schema=["file", "depot", "looks_like"], orient="row")


def _slipped(frame: pl.DataFrame, name: str, here: pl.Series, slip: Slip, digits: int | None) -> pl.DataFrame:
    wrong = (frame[name].cast(pl.Float64) - slip.offset) / slip.factor
    wrong = wrong if digits is None else wrong.round(digits)
    right = pl.Series(slip.righted(wrong.fill_null(float("nan")).to_numpy())).fill_nan(None)
    columns = {name: wrong, f"{name} right": right}
    own = frame[name].cast(pl.Float64)
    return frame.with_columns(each.zip_with(here, own).alias(into) for into, each in columns.items())


def _exchanged(month: Path, depot: str, there: pl.DataFrame, rng: np.random.Generator) -> list[tuple[str, str, str]]:
    """Exchange two vehicles of a family in a month's files."""
    (family,) = there["engine_family"].mode().sort().head(1)
    one, two = rng.choice(there.filter(pl.col("engine_family") == family)["vehicle_id"].sort(), 2, replace=False)
    for file in [*month.glob("snapshots*.parquet"), *month.glob("faults*.parquet")]:
        frame = pl.read_parquet(file)
        frame.with_columns(pl.col("vehicle_id").replace({one: two, two: one})).write_parquet(file)
    second = max(str(one), str(two))
    return [(file.name, depot, f"exchanged with {second}") for file in month.glob("snapshots*.parquet")]


def published(store: Store) -> dict[str, pl.DataFrame]:
    """All published tables of the newest analysis but those that say what was held or entered."""
    with store.reading() as connection:
        every = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'published' ORDER BY 1"
        names = [name for name in frame_of(connection, every)["table_name"] if name not in OF_HOLDING]
        return {name: frame_of(connection, f"SELECT * FROM published.{name} ORDER BY ALL") for name in names}


def held(store: Store) -> pl.DataFrame:
    """The newest `held_reading`."""
    with store.reading() as connection:
        newest = "(SELECT max(as_of) FROM published.held_reading)"
        return frame_of(connection, f"SELECT * FROM published.held_reading WHERE as_of = {newest}")


def decide(store: Store, answers: dict[str, str]) -> None:
    """Enter decisions."""
    said = [{"kind": "held", "subject": batch, "value": answer} for batch, answer in answers.items()]
    leeway("enter", "-", "--store", store.path, typed="\n".join(map(json.dumps, said)))


def differing(one: dict[str, pl.DataFrame], two: dict[str, pl.DataFrame], what: str) -> int:
    """Say of each table whether it is the same in both; how many are not."""
    names = sorted(one.keys() | two.keys())
    wrong = [name for name in names if name not in one or name not in two or not one[name].equals(two[name])]
    rows = sum(table.height for table in one.values())
    print(f"{what}: {len(names) - len(wrong)} of {len(names)} tables equal, {rows:,} rows", flush=True)
    for name in wrong:
        absent = name not in one or name not in two
        apart = None if absent else one[name].join(two[name], on=one[name].columns, how="anti", nulls_equal=True)
        print(f"  {name}: {'absent' if apart is None else f'{apart.height} of {one[name].height} rows differ'}")
    return len(wrong)


def main() -> None:
    """Print which tables are equal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleet", type=Path, help="drops and truth of a simulated fleet; none: one is made")
    for name, default in {"vehicles": 150, "weeks": 60, "seed": 99}.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="held-") as place:
        right, wrong = Path(place) / "right", Path(place) / "wrong"
        if asked.fleet is None:
            size = ("--vehicles", asked.vehicles, "--weeks", asked.weeks)
            leeway("simulate", *size, "--seed", asked.seed, "--out", right)
        else:
            shutil.copytree(asked.fleet, right)
        shutil.rmtree(right / "truth")
        shutil.copytree(right, wrong)
        planted = spoil(right, wrong, np.random.default_rng(asked.seed))
        stores = {name: Store(Path(place) / f"{name}.store") for name in ("right", "wrong", "never")}
        for name, drops in (("right", right), ("wrong", wrong), ("never", wrong)):
            leeway("load", *sorted(drops.iterdir()), "--store", stores[name].path)
        leeway("analyse", "--store", stores["right"].path)
        expected = published(stores["right"])
        as_of = next(iter(expected.values()))["as_of"][0].isoformat()
        again = ("analyse", "--store", stores["wrong"].path, "--as-of", as_of)
        leeway(*again)
        found = held(stores["wrong"]).filter(pl.col("decision") == "open")
        ours = found.join(planted, on=planted.columns)["batch_id"].to_list()
        print(f"planted and held: {len(ours)} of {planted.height}", flush=True)
        decide(stores["wrong"], dict.fromkeys(ours, "convert"))
        leeway(*again)
        differ = differing(expected, published(stores["wrong"]), "after convert, beside the right files")
        kept: set[str] = set()
        while new := set(held(stores["wrong"])["batch_id"]) - kept:
            decide(stores["wrong"], dict.fromkeys(new, "keep"))
            kept |= new
            leeway(*again)
        leeway("analyse", "--store", stores["never"].path, "--as-of", as_of, before=NEVER_HELD)
        differ += differing(
            published(stores["never"]), published(stores["wrong"]), f"after keep of {len(kept)} batches"
        )
        sys.exit(differ > 0 or len(ours) < planted.height)


if __name__ == "__main__":
    main()
