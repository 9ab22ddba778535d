"""How much of the dirt that `simulate` plants is caught or flagged, kind by kind, and how many good rows are lost.

Run: python tests/benchmarks/intake_proof.py [VEHICLES] [WEEKS] [SEED] (default 300, 78, 11). A piece of dirt counts as
caught when a flag on its column, or a quarantined row, names its vehicle within its time, or at the reading just before
or after it.
A misread value is drawn anywhere between the limits, so some lie within the healthy noise, where nobody can tell them:
those at least ten usual steps from the right value are counted by themselves too.
"""

import sys
import tempfile
from datetime import timedelta
from pathlib import Path

import polars as pl
from click.testing import CliRunner

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import flagged, load_reports, quarantined
from synthetic_fleet.command import simulate

# Dirt that a reading, its neighbours and its own past can show; the others are told apart by later stages or harmless.
SHOWN_HERE = [
    "fraction_for_percent",
    "miles",
    "fahrenheit",
    "hours_wrong",
    "odometer_back",
    "odometer_wrong",
    "misread by 10 usual steps",
]
TELLING = 10  # usual steps (median change from one reading to the next) that a misread must be off to be told
NEIGHBOUR = timedelta(days=16)  # the readings before and after a piece lie within it


def main(vehicles: int, weeks: int, seed: int) -> None:
    """Print the share caught of each kind, and the share of rows lost to quarantine."""
    with tempfile.TemporaryDirectory() as name:
        folder, store = Path(name) / "fleet", Store(Path(name) / "store")
        arguments = ["--vehicles", str(vehicles), "--weeks", str(weeks), "--seed", str(seed), "--out", str(folder)]
        CliRunner().invoke(simulate, arguments, catch_exceptions=False)
        for month in sorted(path for path in folder.iterdir() if path.name != "truth"):
            load(store, [month])
        dirt = pl.read_parquet(folder / "truth" / "dirt").filter(pl.col("vehicle_id").is_not_null())
        pieces = pl.concat([dirt, told_misreads(store, dirt)])
        found = caught(store, pieces)
        with pl.Config(tbl_rows=-1):
            print(found)
            print(flagged(store).group_by("reason").len().sort("len", descending=True))
        shown = found.filter("shown_here")
        share = (shown["caught"] * shown["pieces"]).sum() / shown["pieces"].sum()
        print(f"of all that readings can show: {share:.4f} caught (at least 0.99)")
        rows = load_reports(store).select(pl.col("row_count").sum(), pl.col("flagged").sum()).row(0)
        good = quarantined(store).height / rows[0]  # the simulator plants nothing that breaks the contract's types
        print(f"at most {good:.5f} of good rows quarantined (less than 0.001)")
        print(f"{rows[0]:,} rows: {quarantined(store).height} quarantined, {rows[1]} values flagged")


def _with_neighbours(pieces: pl.DataFrame, store: Store) -> pl.DataFrame:
    """With the times of the vehicle's readings before and after each piece, or `NEIGHBOUR` if there is none."""
    readings = (
        read_evidence(store)
        .snapshots.select("vehicle_id", "read_at")
        .with_columns(
            before=pl.col("read_at").shift().over("vehicle_id"), after=pl.col("read_at").shift(-1).over("vehicle_id")
        )
    )
    before = readings.select("vehicle_id", "before", from_at="read_at")
    after = readings.select("vehicle_id", "after", to_at="read_at")
    both = pieces.join(before, on=["vehicle_id", "from_at"], how="left").join(
        after, on=["vehicle_id", "to_at"], how="left"
    )
    minute = timedelta(minutes=1)  # flags name times to the minute
    return both.with_columns(
        pl.col("before").fill_null(pl.col("from_at") - NEIGHBOUR) - minute,
        pl.col("after").fill_null(pl.col("to_at") + NEIGHBOUR),
    )


def told_misreads(store: Store, dirt: pl.DataFrame) -> pl.DataFrame:
    """Misreads at least `TELLING` usual steps of their correction from the right value, as a kind of their own."""
    misread = dirt.filter(pl.col("kind") == "misread").with_columns(was=pl.col("detail").str.extract(r"was (.*)$"))
    snapshots = read_evidence(store).snapshots
    catalogue = dict(built_in_corrections().select("code", "resolution").iter_rows())
    told = [misread.head(0)]
    for (code,), pieces in misread.group_by("column"):
        moved = snapshots.select((pl.col(code) - pl.col(code).shift()).abs().over("vehicle_id").median()).item()
        usual = max(float(moved or 0.0), catalogue[str(code)] or 0.0)
        now = snapshots.select(
            "vehicle_id", from_at="read_at", now=str(code), last=pl.col("read_at").max().over("vehicle_id")
        )
        off = pieces.join(now, on=["vehicle_id", "from_at"], how="left")
        far = (off["now"].cast(pl.Float64) - off["was"].cast(pl.Float64)).abs() >= TELLING * usual
        borne_out = off["from_at"] < off["last"]  # a vehicle's last reading has no other after it that tells
        told.append(pieces.filter(far.fill_null(value=True), borne_out.fill_null(value=True)))
    return pl.concat(told).drop("was").with_columns(kind=pl.lit("misread by 10 usual steps"))


def caught(store: Store, dirt: pl.DataFrame) -> pl.DataFrame:
    """Pieces and the share caught, by kind."""
    at = (
        pl.col("detail").str.extract(r"^(\d{4}-\d\d-\d\d \d\d:\d\d)").str.to_datetime("%Y-%m-%d %H:%M", time_zone="UTC")
    )
    rows = quarantined(store)["original"].str.json_path_match
    set_aside = pl.DataFrame({"vehicle_id": rows("$.vehicle_id"), "at": rows("$.read_at").str.slice(0, 16)})
    set_aside = set_aside.with_columns(pl.col("at").str.to_datetime("%Y-%m-%d %H:%M", time_zone="UTC", strict=False))
    set_aside = set_aside.with_columns(column_name=pl.lit("*"))
    flags = pl.concat([flagged(store).select("vehicle_id", at.alias("at"), "column_name"), set_aside]).drop_nulls()
    pieces = dirt.with_row_index("piece")
    columns = pl.col("column").str.replace_all(r"_b\*", "_b")
    same = (pl.col("column_name") == "*") | columns.str.contains(pl.col("column_name"), literal=True)
    near = (
        _with_neighbours(pieces, store)
        .join(flags, on="vehicle_id")
        .filter(pl.col("at").is_between("before", "after"), same.fill_null(value=True))
    )
    found = pieces.with_columns(pl.col("piece").is_in(near["piece"].implode()).alias("caught"))
    return (
        found.group_by("kind")
        .agg(pl.len().alias("pieces"), pl.col("caught").mean().round(3))
        .with_columns(pl.col("kind").is_in(SHOWN_HERE).alias("shown_here"))
        .sort("shown_here", "kind", descending=[True, False])
    )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [300, 78, 11][len(given) :]))
