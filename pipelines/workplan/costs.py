"""What work and standing still cost where the fleet's own tables say nothing: assumptions, and a fleet's own file."""

import tomllib
from collections.abc import Collection
from dataclasses import Field, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.errors import SettingError

COSTS_TABLE = pl.Schema(
    {"name": pl.String, "value": pl.Float64, "unit": pl.String, "meaning": pl.String, "assumed": pl.Boolean}
)
MOST = 1e6  # of any figure; what is above is a slip of the pen


def _stands(value: Any, unit: str, meaning: str) -> Any:
    return field(default=value, metadata={"unit": unit, "meaning": meaning})


@dataclass(frozen=True, kw_only=True)
class CostAssumptions:
    """Assumptions of the work plan, in the fleet's currency; all of them judgement until a fleet gives its own."""

    labour_per_hour: float = _stands(70.0, "money an hour", "labour in the workshop")
    labour_hours: float = _stands(1.5, "h", "work on a component that the fleet's table lacks")
    reading_hours: float = _stands(0.3, "h", "a reading at the reader, without other work")
    part: float = _stands(120.0, "money", "part of a component that the fleet's table lacks")
    breakdown: float = _stands(600.0, "money", "towing, a replacement vehicle, a late delivery")
    strand_share: float = _stands(0.1, "share", "faults that strand the vehicle on the road")
    downtime_per_day: float = _stands(150.0, "money a day", "a vehicle that stands")
    unplanned_days: float = _stands(1.0, "days", "a vehicle stands for an unplanned repair")
    working_day_hours: float = _stands(8.0, "h", "a working day, by which standing for hours is priced")
    off_road_days: float = _stands(30.0, "days", "a vehicle off the road would stand if nobody repaired it")
    foresight_days: float = _stands(180.0, "days", "a limit met later than this is no work that is still to come")
    chance_without_cause: float = _stands(0.8, "share", "visits that find the trouble where no cause is named")
    visit: float = _stands(60.0, "money", "bringing and fetching a vehicle once")
    transfers: bool = _stands(True, "true or false", "a depot without room in time may send a vehicle to another")
    transfer_hours: float = _stands(1.5, "h", "the way to another depot, and as long back")
    transfer_cost: float = _stands(90.0, "money", "driver and fuel to another depot and back")
    bays: int = _stands(1, "bays", "of a depot without a row in the table bays")
    bay_hours: float = _stands(8.0, "h a day", "of such a bay")
    first_hour: int = _stands(7, "hour of the day, UTC", "when the bays open")
    share_of_hours: float = _stands(0.9, "share", "hours that the solver may fill; above it packing into bays fails")

    def as_frame(self, given: Collection[str] = ()) -> pl.DataFrame:
        """`name, value, unit, meaning, assumed`: what a plan was priced with; true or false as 1 or 0.

        Args:
            given: Names that the fleet gave; all others are assumed.
        """
        rows = [
            (each.name, float(getattr(self, each.name)), _unit(each), _meaning(each), each.name not in given)
            for each in fields(self)
        ]
        return pl.DataFrame(rows, schema=COSTS_TABLE, orient="row")


def costs_from(frame: pl.DataFrame) -> CostAssumptions:
    """The assumptions of a table as `as_frame` gives it; names that are not in it stand at their defaults."""
    known = {each.name: each for each in fields(CostAssumptions)}
    said = {
        name: _kind(known[name])(value) for name, value in frame.select("name", "value").iter_rows() if name in known
    }
    return replace(CostAssumptions(), **said)


def given_in(frame: pl.DataFrame) -> set[str]:
    """Names in such a table that are the fleet's own."""
    return set(frame.filter(~pl.col("assumed"))["name"])


def costs_text(costs: CostAssumptions) -> str:
    """A file with every figure, to be changed where it is not so; as TOML."""
    lines = [
        f"{each.name} = {str(getattr(costs, each.name)).lower()}  # {_unit(each)}: {_meaning(each)}"
        for each in fields(costs)
    ]
    head = "# What the work plan assumes where the fleet's own tables say nothing. Lines left out stay assumed."
    return "\n".join([head, *lines]) + "\n"


def read_costs(path: Path) -> tuple[CostAssumptions, set[str]]:
    """The assumptions with what a fleet's own file says laid over them, and the names that it gives another figure.

    Raises:
        SettingError: the file is no TOML, a name is unknown, or a figure is none or outside its range.
    """
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingError(
            f"{path}: no readable TOML ({error}). Start from the one that `leeway plan --show-costs` prints."
        ) from error
    known = {each.name: each for each in fields(CostAssumptions)}
    values = {}
    for name, value in said.items():
        if name not in known:
            raise SettingError(f"{path}, {name}: unknown. Known: {', '.join(known)}.")
        values[name] = _checked(path, known[name], value)
    own = {name for name, value in values.items() if value != known[name].default}
    return replace(CostAssumptions(), **values), own


def _checked(path: Path, each: "Field[Any]", value: Any) -> Any:
    kind = _kind(each)
    if kind is bool:
        if isinstance(value, bool):
            return value
        raise SettingError(f"{path}, {each.name}: {value!r} is neither true nor false. Write one of them.")
    most = {"share": 1.0, "hour of the day, UTC": 23.0}.get(_unit(each), MOST)
    least = 1e-3 if each.name in LEAST_ABOVE_0 else 0.0
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise SettingError(f"{path}, {each.name}: {value!r} is no number from {least:g} to {most:g} ({_unit(each)}).")
    if kind is int and value != int(value):
        raise SettingError(f"{path}, {each.name}: {value!r} is no whole number. Write one.")
    return kind(value)


LEAST_ABOVE_0 = ("labour_hours", "reading_hours", "working_day_hours", "bay_hours", "share_of_hours")


def _kind(each: "Field[Any]") -> Any:
    return type(each.default)


def _unit(each: "Field[Any]") -> str:
    return str(each.metadata["unit"])


def _meaning(each: "Field[Any]") -> str:
    return str(each.metadata["meaning"])
