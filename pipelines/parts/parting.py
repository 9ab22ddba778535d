"""Parts of a fleet: evidence in, lists of vehicles out, the same however the work is spread.

A fleet that fits one part is one. A larger one has a first part that teaches the others: of every engine family a
random share (by a hash of the numbers, which no machine or day changes), and of everything that readings are grouped by
(depot and duty, calibration, change of calibration, correction) at least a few vehicles that show it. All other
vehicles go by family and hash into parts large enough that what is compared inside one (levels, scatter of departures)
rests on some hundred vehicles of a family. Of very many families the smaller ones are not in the first part: each is
whole in another, and teaches itself there.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from zlib import crc32

import polars as pl

from pipelines.bands.panel import UNKNOWN_FAMILY
from pipelines.handover import Evidence, WholeFleet
from pipelines.shown import Shown

MOST_CELLS = 20_000_000  # readings times corrections of a part: 2 to 3 GiB (tests/benchmarks/any_size.py); measured
ONE_PART = 1.5  # times that, up to which a fleet is one part: two would be small; judgement
LEAST_TAUGHT = 300  # vehicles of a family in a part that did not teach: a median lies within a tenth of a sd; derived
LEAST_TEACHING = 200  # vehicles of a family that teach it: so many are sampled where a fleet is in one part; derived
# Vehicles that show a depot and duty, a calibration, a correction: as many as a group's level takes to lie within a
# third of the scatter between vehicles; derived.
LEAST_SHOWN = 10


@dataclass(frozen=True, kw_only=True)
class Parting:
    """parts: Vehicle ids of each, sorted; the first teaches the others. whole: What holds for all; None: one part."""

    parts: Sequence[Sequence[str]]
    whole: WholeFleet | None


def parted(evidence: Evidence, shown: Shown, *, most_cells: int = MOST_CELLS) -> Parting:
    """The parts of a fleet.

    Args:
        evidence: Of all vehicles; its readings are not looked at.
        shown: What their readings show.
        most_cells: About how many readings times corrections a part may have.
    """
    every = evidence.vehicles["vehicle_id"].to_list()
    codes = shown.codes
    if shown.cells <= most_cells * ONE_PART:
        return Parting(parts=[every], whole=None)
    family = pl.col("engine_family").fill_null(UNKNOWN_FAMILY)
    vehicles = (
        evidence.vehicles.select("vehicle_id", family, "depot", "duty")
        .join(shown.vehicles.select("vehicle_id", "len", *codes), on="vehicle_id", how="left")
        .with_columns(cells=pl.col("len").fill_null(0) * len(codes), hash=_hashes(evidence.vehicles["vehicle_id"]))
        .sort("engine_family", "hash", "vehicle_id")
    )
    quota = _quota_of(vehicles, most_cells)
    teaching = _teaching(vehicles, _shown(vehicles, evidence, shown), quota)
    rest = vehicles.filter(~pl.col("vehicle_id").is_in(teaching.implode()))
    alone = [name for name, teach in quota.items() if not teach]
    parts = [teaching.sort().to_list(), *_others(rest, most_cells, alone)]
    read_by = vehicles.group_by("engine_family").agg(pl.col(codes).any())
    ever = {row.pop("engine_family"): frozenset(code for code, was in row.items() if was) for row in read_by.to_dicts()}
    return Parting(parts=[part for part in parts if part], whole=WholeFleet(read=ever, first_day=shown.first_day))


def _hashes(vehicle_ids: pl.Series) -> pl.Series:
    return pl.Series([crc32(name.encode()) for name in vehicle_ids], dtype=pl.UInt32)


def _shown(vehicles: pl.DataFrame, evidence: Evidence, shown: Shown) -> pl.DataFrame:
    """vehicle_id, shows: what readings are grouped by and each vehicle shows, one row each."""
    told, codes = shown.calibrations, shown.codes
    calibrations = told.select("vehicle_id", shows=pl.format("calibration {} {}", "before", "now")).unique()
    first = told.select("vehicle_id", shows=pl.format("calibration {}", "now")).unique()
    group = pl.format("group {} {}", pl.col("depot").fill_null(""), pl.col("duty").fill_null(""))
    read = vehicles.filter(pl.col("cells") > 0).select("vehicle_id", "depot", "duty")
    before = evidence.moves.select("vehicle_id", "depot").join(read.drop("depot"), on="vehicle_id")
    groups = pl.concat([read, before]).select("vehicle_id", shows=group).unique()
    named = [  # vehicles are sorted by family and hash: of a correction that all read, those few are enough
        vehicles.filter(code)
        .group_by("engine_family", maintain_order=True)
        .head(LEAST_SHOWN)
        .select("vehicle_id", shows=pl.lit(f"correction {code}"))
        for code in codes
    ]
    return pl.concat([groups, first, calibrations.drop_nulls(), *named])


def _quota_of(vehicles: pl.DataFrame, most_cells: int) -> dict[str, int]:
    """How many vehicles of each family that is read teach; 0: it teaches itself."""
    read = vehicles.filter(pl.col("cells") > 0)
    sizes = dict(read.group_by("engine_family", maintain_order=True).agg(pl.len()).iter_rows())
    mean = read["cells"].mean()
    return _quotas(sizes, int(most_cells / mean) if isinstance(mean, float) and mean > 0 else 0)


def _teaching(vehicles: pl.DataFrame, shown: pl.DataFrame, quota: dict[str, int]) -> pl.Series:
    """Ids of vehicles that teach: of each family the few that show each thing, and then those of the lowest hash."""
    teach = pl.col("engine_family").is_in([name for name, count in quota.items() if count])
    ranked = (
        shown.join(vehicles.filter(teach).select("vehicle_id", "engine_family", "hash"), on="vehicle_id")
        .sort("hash", "vehicle_id")
        .with_columns(rank=pl.int_range(pl.len()).over("engine_family", "shows"))
    )
    needed = ranked.filter(pl.col("rank") < LEAST_SHOWN)["vehicle_id"].unique()
    read = vehicles.filter(pl.col("cells") > 0).with_columns(needed=pl.col("vehicle_id").is_in(needed.implode()))
    allowed = pl.col("engine_family").replace_strict(quota, return_dtype=pl.Int64)
    place = pl.int_range(pl.len()).over("engine_family")
    chosen = read.sort("engine_family", ~pl.col("needed"), "hash", "vehicle_id").filter(
        pl.col("needed") | (place < allowed)
    )
    return chosen["vehicle_id"]


def _quotas(sizes: dict[str, int], room: int) -> dict[str, int]:
    """How many of each family teach in the first part; 0: it is taught in the part that has it wholly.

    Alike, smaller families wholly, and those of which too few would be left. Of so many families that each would have
    fewer than teach well, the largest have those, as many as there is room for: the others are small, and fit a part.
    """
    most = max(room // LEAST_TEACHING, 1)
    by_size = sorted(sizes, key=lambda name: (-sizes[name], name))
    teach = [name for place, name in enumerate(by_size) if place < most or sizes[name] > room]
    quota, left = dict.fromkeys(sizes, 0), room
    for place, name in enumerate(reversed(teach)):
        share = max(left // (len(teach) - place), min(LEAST_TEACHING, room), 1)
        quota[name] = sizes[name] if sizes[name] - share < LEAST_TAUGHT else share
        left -= quota[name]
    return quota


def _others(rest: pl.DataFrame, most_cells: int, whole: Collection[str]) -> list[list[str]]:
    """The other vehicles: of each family stretches of the hash, into the part that has least so far.

    Args:
        rest: Of the vehicles that do not teach.
        most_cells: Of a part.
        whole: Families that teach themselves: each stays in one part.
    """
    count = -(-int(rest["cells"].sum()) // most_cells) if rest.height else 0
    parts, size = [list[str]() for _ in range(max(count, min(rest.height, 1)))], [0] * max(count, 1)
    for (name,), family in sorted(rest.group_by("engine_family"), key=lambda pair: (-pair[1].height, pair[0])):
        ordered = family.sort("hash", "vehicle_id")
        stretches = 1 if name in whole else min(len(parts), max(ordered.height // LEAST_TAUGHT, 1))
        length = -(-ordered.height // stretches)
        for part, stretch in zip(
            sorted(range(len(parts)), key=lambda p: (size[p], p)), ordered.iter_slices(length), strict=False
        ):
            parts[part] += stretch["vehicle_id"].to_list()
            size[part] += int(stretch["cells"].sum())
    return [sorted(part) for part in parts]
