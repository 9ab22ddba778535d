"""How much of the dirt that `simulate` plants is caught or flagged, kind by kind, and how much that is good is flagged.

Run: python tests/benchmarks/intake_proof.py [VEHICLES] [WEEKS] [SEED ...] (default 300, 78, 11). A piece of dirt counts
as caught when a flag on its column, or a quarantined row, names its vehicle within its time, or at the reading just
before or after it (`at_load`), or a notice of `history` does (`with_history`). Intervals are exact 95 % ones.

What no reading can show is counted by itself, as `told` says: a misreading within `TELLING` usual steps of the right
value, or beside no other reading of its vehicle's own; a value that stands still no longer than coarse values do; a
clock that is off, but for no reading outside the hours at which the fleet is read.
"""

import sys
import tempfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl
from click.testing import CliRunner
from scipy.stats import beta

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import flagged, load_reports, quarantined
from synthetic_fleet.command import simulate

HARMLESS = ["late", "duplicate"]  # delivered late or twice: nothing in it is wrong
TELLING = 10  # usual steps (median change from one reading to the next) that a misread must be off to be told
STILL = 1e-6  # chance of a run, if all vehicles repeated a value alike, above which nobody can tell it from chance
RARE = 0.002  # share of the fleet's readings within an hour, below which it is not read then
NEIGHBOUR = timedelta(days=16)  # the readings before and after a piece lie within it
NOTICES = {"stuck": "value_stuck", "swapped": "swapped_vehicles"}  # kinds of notices that name a kind of dirt
MINUTE = "%Y-%m-%d %H:%M"


def main(vehicles: int, weeks: int, seeds: list[int]) -> None:
    """Print the share caught of each kind, what is flagged without dirt, and the share of rows lost to quarantine."""
    found, rows, set_aside, idle, years = [], 0, 0, [], 0.0
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            folder, store = Path(name) / "fleet", Store(Path(name) / "store")
            arguments = ["--vehicles", str(vehicles), "--weeks", str(weeks), "--seed", str(seed), "--out", str(folder)]
            CliRunner().invoke(simulate, arguments, catch_exceptions=False)
            for month in sorted(path for path in folder.iterdir() if path.name != "truth"):
                load(store, [month])
            evidence = read_evidence(store)
            dirt = pl.read_parquet(folder / "truth" / "dirt").filter(pl.col("vehicle_id").is_not_null())
            pieces = dirt.filter(~pl.col("kind").is_in(HARMLESS)).with_row_index("piece")
            found.append(caught(pieces, store, evidence).with_columns(told=told(pieces, evidence)))
            idle.append(without_dirt(dirt, store))
            rows += load_reports(store)["row_count"].sum()
            set_aside += quarantined(store).height
            years += evidence.snapshots["read_at"].len() / 52
    every = pl.concat(found)
    with pl.Config(tbl_rows=-1, fmt_str_lengths=60, tbl_width_chars=140):
        print(_shares(every))
        print("flags where nothing is wrong, a vehicle-year:")
        print(pl.concat(idle).group_by("reason").len("flags").with_columns(a_year=(pl.col("flags") / years).round(3)))
    shown = every.filter("told")
    print(f"of all that readings can show: {_interval(shown['with_history'])} caught (at least 0.99)")
    print(
        f"at most {set_aside / rows:.5f} of good rows quarantined (less than 0.001)"
    )  # no dirt breaks types or ranges


def _shares(every: pl.DataFrame) -> pl.DataFrame:
    """Pieces and the shares caught, by kind and whether readings can show them."""
    kinds = every.group_by("kind", "told").agg(pl.len().alias("pieces"), "at_load", "with_history")
    return kinds.sort("told", "kind", descending=[True, False]).with_columns(
        pl.col(name).map_elements(_interval, return_dtype=pl.String) for name in ("at_load", "with_history")
    )


def _interval(hits: pl.Series) -> str:
    count, of = int(hits.sum()), hits.len()
    low = beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return f"{count / max(of, 1):.3f} ({low:.3f} to {high:.3f})"


def told(pieces: pl.DataFrame, evidence: Evidence) -> pl.Series:
    """Whether the readings can show each piece."""
    snapshots = evidence.snapshots
    inside = pieces.join(snapshots.select("vehicle_id", "read_at"), on="vehicle_id").filter(
        pl.col("read_at").is_between("from_at", "to_at")
    )
    runs = inside.filter(pl.col("kind") == "stuck").group_by("piece", "column").len()
    long = runs.filter(
        pl.col("column").map_elements(_repeat_share(snapshots), pl.Float64) ** (pl.col("len") - 1) < STILL
    )
    shift = pl.col("detail").str.extract(r"^([+-]\d+) h").cast(pl.Int64)
    wrong = pieces.filter(pl.col("kind") == "clock_wrong").with_columns(pl.duration(hours=shift).alias("shift"))
    stamped = wrong.join(snapshots.select("vehicle_id", "read_at"), on="vehicle_id").filter(
        pl.col("read_at").is_between(pl.col("from_at") + pl.col("shift"), pl.col("to_at") + pl.col("shift"))
    )
    hours = snapshots["read_at"].dt.hour()
    seldom = [hour for hour in range(24) if (hours == hour).mean() < RARE]
    odd = stamped.filter(pl.col("read_at").dt.hour().is_in(seldom))["piece"]
    kind, piece = pl.col("kind"), pl.col("piece")
    return pieces.select(
        pl.when(kind == "misread").then(piece.is_in(_plain_misreads(pieces, snapshots).implode()))
        .when(kind == "stuck").then(piece.is_in(long['piece'].implode()))
        .when(kind == "clock_wrong").then(piece.is_in(odd.implode()))
        .otherwise(pl.lit(value=True))
    ).to_series()  # fmt: skip


def _repeat_share(snapshots: pl.DataFrame) -> Callable[[str], float]:
    """How often a correction repeats its last value, over all vehicles."""

    def share(code: str) -> float:
        same = (pl.col(code) == pl.col(code).shift()).over("vehicle_id")
        return float(snapshots.drop_nulls(code).select(same.mean()).item())

    return share


def _plain_misreads(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Misreads far from the right value that have a reading before and after, or two after."""
    misread = pieces.filter(pl.col("kind") == "misread").with_columns(was=pl.col("detail").str.extract(r"was (.*)$"))
    catalogue = dict(built_in_corrections().select("code", "resolution").iter_rows())
    swapped = pieces.filter(pl.col("kind") == "swapped").select("vehicle_id", begun="from_at", ended="to_at")
    plain = [pl.Series([], dtype=pl.UInt32)]
    for (code,), mine in misread.group_by("column"):
        read = snapshots.select("vehicle_id", from_at="read_at", now=str(code)).drop_nulls().with_columns(
            after=pl.len().over("vehicle_id") - pl.int_range(pl.len()).over("vehicle_id") - 1,
            before=pl.int_range(pl.len()).over("vehicle_id"),
        )  # fmt: skip
        moved = read.select((pl.col("now") - pl.col("now").shift()).abs().over("vehicle_id").median()).item()
        usual = max(float(moved or 0.0), catalogue[str(code)] or 0.0)
        off = mine.join(read, on=["vehicle_id", "from_at"])
        far = (pl.col("now").cast(pl.Float64) - pl.col("was").cast(pl.Float64)).abs() >= TELLING * usual
        beside = (pl.col("after") >= 2) | ((pl.col("after") == 1) & (pl.col("before") >= 1))
        foreign = off.join(swapped, on="vehicle_id").filter(
            pl.col("from_at").is_between(pl.col("begun") - NEIGHBOUR, pl.col("ended") + NEIGHBOUR)
        )
        plain.append(off.filter(far, beside).join(foreign, on="piece", how="anti")["piece"])
    return pl.concat(plain)


def _with_neighbours(pieces: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """With the times of the vehicle's readings before and after each piece, or `NEIGHBOUR` if there is none."""
    readings = evidence.snapshots.select("vehicle_id", "read_at").with_columns(
        before=pl.col("read_at").shift().over("vehicle_id"), after=pl.col("read_at").shift(-1).over("vehicle_id")
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


def caught(pieces: pl.DataFrame, store: Store, evidence: Evidence) -> pl.DataFrame:
    """kind, at_load and with_history of each piece, in their order."""
    near = _with_neighbours(pieces, evidence)
    columns = pl.col("column").str.replace_all(r"_b\*", "_b")
    same = (pl.col("column_name") == "*") | columns.str.contains(pl.col("column_name"), literal=True)
    loaded = near.join(_flags(store), on="vehicle_id").filter(
        pl.col("at").is_between("before", "after"), same.fill_null(value=True)
    )
    notices = reconstruct(evidence).notices.select("vehicle_id", "at", "text", notice="kind")
    named = near.with_columns(notice=pl.col("kind").replace_strict(NOTICES, default=None)).join(
        notices, on=["vehicle_id", "notice"]
    )
    right = (pl.col("kind") != "stuck") | pl.col("text").str.contains(pl.col("column"), literal=True)
    later = named.filter(pl.col("at").is_between("before", "after"), right)
    at_load, with_history = (
        pl.col("piece").is_in(pl.concat([part["piece"] for part in parts]).implode())
        for parts in ((loaded,), (loaded, later))
    )
    return pieces.select("kind", at_load=at_load, with_history=with_history)


def _flags(store: Store) -> pl.DataFrame:
    """vehicle_id, at, column_name (`*`: the whole row), reason of flags and quarantined rows."""

    def time(text: pl.Expr) -> pl.Expr:
        return text.str.to_datetime(MINUTE, time_zone="UTC", strict=False).dt.cast_time_unit("us")

    rows = quarantined(store)["original"].str.json_path_match
    aside = pl.DataFrame({"vehicle_id": rows("$.vehicle_id"), "at": rows("$.read_at").str.slice(0, 16)})
    aside = aside.with_columns(time(pl.col("at")), column_name=pl.lit("*"), reason=pl.lit("quarantined"))
    at = time(pl.col("detail").str.extract(r"^(\d{4}-\d\d-\d\d \d\d:\d\d)"))
    return pl.concat([flagged(store).select("vehicle_id", at.alias("at"), "column_name", "reason"), aside]).drop_nulls()


def without_dirt(dirt: pl.DataFrame, store: Store) -> pl.DataFrame:
    """Flags of vehicles at times when no dirt is near them."""
    flags = _flags(store).with_row_index("flag")
    spoilt = flags.join(dirt.filter(~pl.col("kind").is_in(HARMLESS)), on="vehicle_id").filter(
        pl.col("at").is_between(pl.col("from_at") - NEIGHBOUR, pl.col("to_at") + NEIGHBOUR)
    )
    return flags.join(spoilt.select("flag").unique(), on="flag", how="anti").select("reason")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given[:2] + [300, 78][len(given[:2]) :]), given[2:] or [11])
