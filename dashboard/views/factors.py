"""What vehicles differ in: the factors by which groups are made, and the readings of the groups."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime

import polars as pl

from dashboard.views.joined import Choice, in_kind_of

FACTORS = {
    "engine_family": "engine family",
    "depot": "depot",
    "calibration": "calibration",
    "duty": "kind of use",
    "fuel": "fuel",
    "model_year": "model year",
    "age": "age",
}
AGES = ((2, "0 to 1 years"), (5, "2 to 4 years"), (10, "5 to 9 years"))  # judgement: warranty, middle age, old
OLDEST = "10 years and more"
NOT_KNOWN = "not known"
OTHERS = "others"
MOST_GROUPS = 5  # colours and dashes that can be told apart; further groups are drawn as one
BETWEEN = " \N{MIDDLE DOT} "
YEAR_DAYS = 365.25
PER_VEHICLE = [name for name in FACTORS if name != "calibration"]


def places_of(vehicles: pl.DataFrame, families: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """One row a vehicle: `vehicle_id` and its place in every factor but the calibration, as text; null: not known.

    Args:
        vehicles: The fleet's vehicles, as the drop table has them.
        families: The engine families, as the drop table has them.
        as_of: Ages are those of that time.
    """
    fuel = families.select("engine_family", "fuel").unique("engine_family", keep="first", maintain_order=True)
    years = (pl.lit(as_of.date()) - pl.col("in_service_on")).dt.total_days() / YEAR_DAYS
    age = pl.lit(OLDEST)
    for below, words in reversed(AGES):
        age = pl.when(years < below).then(pl.lit(words)).otherwise(age)
    return vehicles.join(fuel, on="engine_family", how="left", maintain_order="left").select(
        "vehicle_id",
        "engine_family",
        "depot",
        "duty",
        "fuel",
        pl.col("model_year").cast(pl.String),
        age=pl.when(years.is_not_null()).then(age),
    )


def offered(places: pl.DataFrame, values: pl.DataFrame) -> list[str]:
    """Factors that tell vehicles apart here: those in which anything is known, the engine family at least."""
    known = {name: (values if name == "calibration" else places).get_column(name) for name in FACTORS}
    return [name for name in FACTORS if name == "engine_family" or known[name].count()]


def grouped(
    values: pl.DataFrame,
    places: pl.DataFrame,
    *,
    choice: Choice,
    until: datetime,
    **by: Sequence[str],
) -> pl.DataFrame:
    """Readings up to a time of the vehicles that were picked, with their places in factors, in words.

    Args:
        values: `vehicle_id, read_at, value, calibration` of one correction.
        places: Of `places_of`; vehicles that are not in it are left out.
        choice: Depots, engine families and calibrations to keep.
        until: Later readings are left out.
        by: A column's name, and the factors whose places stand in it.
    """
    labels = [label(factors).alias(name) for name, factors in by.items()]
    chosen = in_kind_of(choice.of(places, "depot", "engine_family"), values)
    read = choice.of(values.filter(pl.col("read_at") <= until), "calibration")
    if any("calibration" in factors for factors in by.values()):
        placed = read.join(chosen, on="vehicle_id", how="inner", maintain_order="left").with_columns(labels)
    else:
        placed = read.join(chosen.select("vehicle_id", *labels), on="vehicle_id", how="inner", maintain_order="left")
    return placed.select("vehicle_id", "read_at", "value", "calibration", *by)


def label(by: Sequence[str]) -> pl.Expr:
    """A row's group in words: its places in the factors; of none: empty."""
    if not by:
        return pl.lit("").alias("group")
    return pl.concat_str([pl.col(name).fill_null(NOT_KNOWN) for name in by], separator=BETWEEN).alias("group")


def few(rows: pl.DataFrame, column: str = "group", *, most: int = MOST_GROUPS) -> pl.DataFrame:
    """The rows with the groups of a column cut to so many: those with fewest rows together as OTHERS."""
    ranked = rows.group_by(column).len("rows").sort("rows", column, descending=[True, False])
    if ranked.height <= most:
        return rows
    kept = ranked.get_column(column).head(most - 1).to_list()
    return rows.with_columns(pl.when(pl.col(column).is_in(kept)).then(column).otherwise(pl.lit(OTHERS)).alias(column))


def in_order(groups: Sequence[str]) -> list[str]:
    """Groups as a reader expects them: '5 to 9 years' before '10 years and more', the others last."""
    return sorted(set(groups), key=lambda name: (name == OTHERS, [_part(each) for each in re.split(r"(\d+)", name)]))


def _part(text: str) -> tuple[int, int, str]:
    return (0, int(text), "") if text.isdigit() else (1, 0, text)


def said(by: Sequence[str]) -> str:
    """The factors in words: 'engine family and depot'."""
    return " and ".join(FACTORS[name] for name in by)


def members(places: pl.DataFrame, picked: Sequence[str], lists: Mapping[str, Sequence[str]]) -> pl.DataFrame:
    """Vehicles of a group that a reader put together: `places` of those that are in all of what was picked.

    Args:
        places: Of `places_of`.
        picked: Of `options_of`: a factor's places (any of one factor's), or lists (any of them).
        lists: Vehicles by the names of the lists.
    """
    found = places
    known = options_of(places, lists)
    wanted: dict[str, list[str]] = {}
    for option in picked:
        factor, place = known[option]
        wanted.setdefault(factor, []).append(place)
    for factor, chosen in wanted.items():
        if factor == LIST:
            listed = [vehicle for name in chosen for vehicle in lists[name]]
            found = found.filter(pl.col("vehicle_id").is_in(listed))
        else:
            found = found.filter(pl.col(factor).is_in(chosen))
    return found


LIST = "list"


def options_of(places: pl.DataFrame, lists: Mapping[str, Sequence[str]]) -> dict[str, tuple[str, str]]:
    """What a group can be put together of, in words: factor and place."""
    of_factors = {
        f"{FACTORS[factor]}: {place}": (factor, place)
        for factor in PER_VEHICLE
        for place in in_order(places.get_column(factor).drop_nulls().unique().to_list())
    }
    return of_factors | {f"{LIST}: {name}": (LIST, name) for name in lists}
