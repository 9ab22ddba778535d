"""How much of the dirt that `simulate` plants is caught or flagged, kind by kind, and how much that is good is flagged.

Run: python tests/benchmarks/intake_proof.py [VEHICLES] [WEEKS] [SEED ...] (default 300, 78, 11). A piece of dirt counts
as caught when a flag on its column, or a quarantined row, names its vehicle within its time, or at the reading just
before or after it (`at_load`), or a notice of `history` does (`with_history`). Intervals are exact 95 % ones.

What no reading can show, to somebody who has all readings of the fleet and no truth, is counted by itself (`told`):

- a misreading within `TELLING` usual steps of the right value (median change from one reading to the next, of the
  correction in the fleet or of the vehicle, whichever is larger); one without a reading after it, or as the first with
  fewer than two; one beside values of the vehicle that differ themselves by half as much; one at which the module began
  anew (its clock or a counter fell) and that lies between neutral and the right value;
- a value that stands at neutral or at a limit, or no longer than chance: the share of readings that repeat the last
  one, in the fleet or in the rest of the vehicle's record, to the power of the repeats is above `STILL`;
- a clock that is off, but for no reading outside the hours at which the fleet is read;
- hours of a module that follow on the reading before, and the reading after on them, if power was lost in between;
- an odometer set back before the vehicle's first reading, or wrong at its only one;
- miles on an odometer so young that what is missing is less than `TELLING_KM` usual gains between readings, both where
  they begin and where they end;
- a swap of which no reading stands under the vehicle's number.

A swap counts as flagged if the odometer, the clock or the time of its readings is; `named`: with the other vehicle.
"""

import sys
import tempfile
from datetime import timedelta
from functools import partial
from pathlib import Path

import polars as pl
from click.testing import CliRunner
from scipy.stats import beta

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.handover import Evidence
from pipelines.held.finding import EXCHANGED
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import flagged, load_reports, quarantined
from synthetic_fleet.command import simulate

HARMLESS = ["late", "duplicate"]  # delivered late or twice: nothing in it is wrong
TELLING = 10  # usual steps that a misread must be off to be told
TELLING_KM = 3  # usual gains from one reading to the next that miles must take off an odometer to be told
MILE = 1.609344
STILL = 1e-6  # chance of a run, if all vehicles repeated a value alike, above which nobody can tell it from chance
RARE = 0.002  # share of the fleet's readings within an hour, below which it is not read then
NEIGHBOUR = timedelta(days=16)  # the readings before and after a piece lie within it
ODD = ["odometer_km", "ignition_hours", "read_at"]  # columns by which readings of another vehicle show
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
    swaps = shown.filter(pl.col("kind") == "swapped")["named"]
    print(f"of the swaps, {_interval(swaps)} named with the other vehicle")
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
    kind, piece = pl.col("kind"), pl.col("piece")
    rules = {
        "misread": _plain_misreads,
        "stuck": _long_standstills,
        "clock_wrong": _at_odd_hours,
        "hours_wrong": _impossible_hours,
        "miles": _missing_miles,
        "swapped": lambda mine, readings: _inside(mine, readings)["piece"],
        "odometer_back": partial(_beside_others, sides=["before"]),
        "odometer_wrong": partial(_beside_others, sides=["before", "after"]),
    }
    shown = [rule(pieces.filter(kind == name), snapshots) for name, rule in rules.items()]
    ruled = kind.is_in(list(rules))
    return pieces.select(~ruled | piece.is_in(pl.concat(shown).implode())).to_series()


def _inside(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.DataFrame:
    """The readings within each piece."""
    return pieces.join(snapshots, on="vehicle_id").filter(pl.col("read_at").is_between("from_at", "to_at"))


def _at_odd_hours(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Shifted clocks with a reading at an hour at which the fleet is hardly ever read."""
    shift = pl.duration(hours=pl.col("detail").str.extract(r"^([+-]\d+) h").cast(pl.Int64))
    stamped = pieces.with_columns(pl.col("from_at") + shift, pl.col("to_at") + shift)
    hours = snapshots["read_at"].dt.hour()
    seldom = [hour for hour in range(24) if (hours == hour).mean() < RARE]
    return _inside(stamped, snapshots).filter(pl.col("read_at").dt.hour().is_in(seldom))["piece"]


def _long_standstills(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Values that stand, off neutral and limits, for longer than they repeat in the fleet or the vehicle."""
    catalogue = {row["code"]: row for row in built_in_corrections().iter_rows(named=True)}
    long = []
    for piece in pieces.iter_rows(named=True):
        code, law = piece["column"], catalogue[piece["column"]]
        read = snapshots.select("vehicle_id", "read_at", value=code).drop_nulls()
        read = read.with_columns(again=(pl.col("value") == pl.col("value").shift()).over("vehicle_id"))
        within = (pl.col("vehicle_id") == piece["vehicle_id"]) & pl.col("read_at").is_between(
            piece["from_at"], piece["to_at"]
        )
        stood = read.filter(within)
        rest = read.filter(~within, pl.col("vehicle_id") == piece["vehicle_id"])
        share = max(float(rows["again"].mean() or 0.0) for rows in (read, rest))
        value, step = float(stood["value"][0]), law["resolution"]
        free = law["low_limit"] + step < value < law["high_limit"] - step and abs(value - law["neutral"]) > step / 2
        long += [piece["piece"]] if free and share ** (stood.height - 1) < STILL else []
    return pl.Series(long, dtype=pl.UInt32)


def _beside(pieces: pl.DataFrame, snapshots: pl.DataFrame, column: str) -> pl.DataFrame:
    """The first and last reading within each piece, and those of the vehicle before and after; by time."""
    read = snapshots.select("vehicle_id", "read_at", value=column).drop_nulls().sort("vehicle_id", "read_at")
    gain = (pl.col("value") - pl.col("value").shift()).over("vehicle_id")
    near = read.with_columns(
        usual=gain.median().over("vehicle_id"),
        before=pl.col("value").shift().over("vehicle_id"),
        after=pl.col("value").shift(-1).over("vehicle_id"),
        before_h=pl.col("read_at").diff().over("vehicle_id").dt.total_seconds() / 3600,
        after_h=-pl.col("read_at").diff(-1).over("vehicle_id").dt.total_seconds() / 3600,
    )
    return _inside(pieces, near).sort("piece", "read_at")


def _impossible_hours(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Hours that no clock, started again in between or not, can come to from the reading before, or leave."""

    def follows(first: str, second: str, passed: str) -> pl.Expr:
        rise = pl.col(second) - pl.when(pl.col(second) >= pl.col(first)).then(pl.col(first)).otherwise(0.0)
        return (rise <= pl.col(passed) + 1.0).fill_null(value=True)

    near = _beside(pieces, snapshots, "ignition_hours")
    return near.filter(~(follows("before", "value", "before_h") & follows("value", "after", "after_h")))["piece"]


def _beside_others(pieces: pl.DataFrame, snapshots: pl.DataFrame, *, sides: list[str]) -> pl.Series:
    """Odometers with another reading of the vehicle on one of these sides."""
    near = _beside(pieces, snapshots, "odometer_km").unique("piece", keep="first", maintain_order=True)
    return near.filter(pl.any_horizontal(pl.col(sides).is_not_null()))["piece"]


def _missing_miles(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Miles that take enough off the odometer where they begin or where they end."""
    near = _beside(pieces, snapshots, "odometer_km").group_by("piece", maintain_order=True)
    ends = near.agg(
        pl.col("value", "before", "usual").first(), last=pl.col("value").last(), after=pl.col("after").last()
    )
    missing = [
        pl.col("before").is_not_null() & (pl.col("value") * (MILE - 1) > TELLING_KM * pl.col("usual")),
        pl.col("after").is_not_null() & (pl.col("last") * (MILE - 1) > TELLING_KM * pl.col("usual")),
    ]
    return ends.filter(pl.any_horizontal(missing))["piece"]


def _plain_misreads(pieces: pl.DataFrame, snapshots: pl.DataFrame) -> pl.Series:
    """Misreads far from the right value, beside readings that agree: before and after, or two after."""
    misread = pieces.with_columns(was=pl.col("detail").str.extract(r"was (.*)$").cast(pl.Float64))
    catalogue = {row["code"]: row for row in built_in_corrections().iter_rows(named=True)}
    counters = ("ignition_hours", "warmups_since_clear", "km_since_clear")
    anew = pl.any_horizontal((pl.col(name) < pl.col(name).shift()).over("vehicle_id") for name in counters)
    plain = [pl.Series([], dtype=pl.UInt32)]
    for (code,), mine in misread.group_by("column"):
        step = (pl.col("now") - pl.col("now").shift()).abs().over("vehicle_id")
        law, now = catalogue[str(code)], pl.col(str(code)).cast(pl.Float64)
        read = snapshots.select("vehicle_id", from_at="read_at", now=now, anew=anew.fill_null(value=False))
        read = read.drop_nulls().with_columns(
            usual=pl.max_horizontal(step.median(), step.median().over("vehicle_id"), pl.lit(law["resolution"])),
            after=pl.col("now").shift(-1).over("vehicle_id"),
            other=pl.coalesce(pl.col("now").shift(), pl.col("now").shift(-2)).over("vehicle_id"),
        )
        off = mine.join(read, on=["vehicle_id", "from_at"])
        from_neutral = pl.when(pl.col("anew")).then((pl.col("now") - law["neutral"]).abs())
        by = pl.min_horizontal((pl.col("now") - pl.col("was")).abs(), from_neutral)
        agree = (pl.col("other") - pl.col("after")).abs() < by / 2  # null, and so not told, where there is none
        plain.append(off.filter(by >= TELLING * pl.col("usual"), agree)["piece"])
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
    """kind, at_load, with_history and named of each piece, in their order."""
    near = _with_neighbours(pieces, evidence)
    columns = pl.col("column").str.replace_all(r"_b\*", "_b")
    foreign = (pl.col("kind") == "swapped") & pl.col("column_name").is_in(ODD)
    same = (pl.col("column_name") == "*") | columns.str.contains(pl.col("column_name"), literal=True) | foreign
    loaded = near.join(_flags(store), on="vehicle_id").filter(
        pl.col("at").is_between("before", "after"), same.fill_null(value=True)
    )
    notices = reconstruct(evidence).notices.select("vehicle_id", "at", "text", notice="kind")
    named = near.with_columns(notice=pl.col("kind").replace_strict(NOTICES, default=None)).join(
        notices, on=["vehicle_id", "notice"]
    )
    right = (pl.col("kind") != "stuck") | pl.col("text").str.contains(pl.col("column"), literal=True)
    until = pl.col("text").str.extract(r"until (\d{4}-\d\d-\d\d)").str.to_datetime("%Y-%m-%d", time_zone="UTC")
    during = (pl.col("at") <= pl.col("to_at")) & (until >= pl.col("from_at"))  # a run may have begun before its piece
    near_it = pl.when(pl.col("kind") == "stuck").then(during).otherwise(pl.col("at").is_between("before", "after"))
    later = named.filter(near_it, right)
    exchanged = pieces.filter(pl.col("kind") == "swapped").join(_exchanged(evidence), on="vehicle_id")
    held = exchanged.filter(pl.col("since") <= pl.col("to_at"), pl.col("until") >= pl.col("from_at"))
    names = pl.concat([later["piece"], held["piece"]])
    found = {"at_load": loaded["piece"], "with_history": pl.concat([loaded["piece"], names]), "named": names}
    return pieces.select("kind", **{name: pl.col("piece").is_in(which.implode()) for name, which in found.items()})


def _exchanged(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, since, until of readings that are held since they look exchanged with another vehicle's."""
    waiting = evidence.held.batches.filter(pl.col("looks_like").str.starts_with(EXCHANGED))
    names = waiting.with_columns(vehicle_id=pl.col("vehicle_ids").str.split(" ")).explode("vehicle_id")
    return names.select("vehicle_id", since="from_at", until="to_at")


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
