"""What work and standing still cost where the fleet's own tables say nothing: assumptions, and a fleet's own file."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.figures_set import checked, kind_of, lines_of, meaning_of, stands, toml_of, unit_of

COSTS_TABLE = pl.Schema(
    {"name": pl.String, "value": pl.Float64, "unit": pl.String, "meaning": pl.String, "assumed": pl.Boolean}
)
ABOVE_0 = 1e-3  # of what something is divided by
HOW = "leeway plan --show-costs"  # prints a file to begin with


@dataclass(frozen=True, kw_only=True)
class CostAssumptions:
    """Assumptions of the work plan, in the fleet's currency; all of them judgement until a fleet gives its own."""

    labour_per_hour: float = stands(70.0, "money an hour", "labour in the workshop")
    labour_hours: float = stands(1.5, "h", "work on a component that the fleet's table lacks", least=ABOVE_0)
    reading_hours: float = stands(0.3, "h", "a reading at the reader, without other work", least=ABOVE_0)
    part: float = stands(120.0, "money", "part of a component that the fleet's table lacks")
    breakdown: float = stands(600.0, "money", "towing, a replacement vehicle, a late delivery")
    strand_share: float = stands(0.1, "share", "faults that strand the vehicle on the road", most=1.0)
    downtime_per_day: float = stands(150.0, "money a day", "a vehicle that stands")
    unplanned_days: float = stands(1.0, "days", "a vehicle stands for an unplanned repair")
    working_day_hours: float = stands(8.0, "h", "a working day, by which standing for hours is priced", least=ABOVE_0)
    off_road_days: float = stands(30.0, "days", "a vehicle off the road would stand if nobody repaired it")
    foresight_days: float = stands(180.0, "days", "a limit met later than this is no work that is still to come")
    chance_without_cause: float = stands(0.8, "share", "visits that find the trouble where no cause is named", most=1.0)
    visit: float = stands(60.0, "money", "bringing and fetching a vehicle once")
    transfers: bool = stands(True, "true or false", "a depot without room in time may send a vehicle to another")
    transfer_hours: float = stands(1.5, "h", "the way to another depot, and as long back")
    transfer_cost: float = stands(90.0, "money", "driver and fuel to another depot and back")
    bays: int = stands(1, "bays", "of a depot without a row in the table bays")
    bay_hours: float = stands(8.0, "h a day", "of such a bay", least=ABOVE_0)
    first_hour: int = stands(7, "hour of the day, UTC", "when the bays open", most=23.0)
    share_of_hours: float = stands(
        0.9, "share", "hours that the solver may fill; above it packing into bays fails", least=ABOVE_0, most=1.0
    )

    def as_frame(self, given: Collection[str] = ()) -> pl.DataFrame:
        """`name, value, unit, meaning, assumed`: what a plan was priced with; true or false as 1 or 0.

        Args:
            given: Names that the fleet gave; all others are assumed.
        """
        rows = [
            (each.name, float(getattr(self, each.name)), unit_of(each), meaning_of(each), each.name not in given)
            for each in fields(self)
        ]
        return pl.DataFrame(rows, schema=COSTS_TABLE, orient="row")


def costs_from(frame: pl.DataFrame) -> CostAssumptions:
    """The assumptions of a table as `as_frame` gives it; names that are not in it stand at their defaults."""
    known = {each.name: each for each in fields(CostAssumptions)}
    said = {
        name: kind_of(known[name])(value) for name, value in frame.select("name", "value").iter_rows() if name in known
    }
    return replace(CostAssumptions(), **said)


def given_in(frame: pl.DataFrame) -> set[str]:
    """Names in such a table that are the fleet's own."""
    return set(frame.filter(~pl.col("assumed"))["name"])


def costs_text(costs: CostAssumptions) -> str:
    """A file with every figure, to be changed where it is not so; as TOML."""
    head = "# What the work plan assumes where the fleet's own tables say nothing. Lines left out stay assumed."
    return "\n".join([head, *lines_of(costs)]) + "\n"


def read_costs(path: Path) -> tuple[CostAssumptions, set[str]]:
    """The assumptions with what a fleet's own file says laid over them, and the names that it gives another figure.

    Raises:
        SettingError: the file is no TOML, a name is unknown, or a figure is none or outside its range.
    """
    return own_costs(checked(toml_of(path, HOW), CostAssumptions, str(path)))


def own_costs(values: Mapping[str, Any]) -> tuple[CostAssumptions, set[str]]:
    """The assumptions with a fleet's own figures laid over them, and the names of those that differ."""
    costs = replace(CostAssumptions(), **values)
    return costs, {name for name, value in values.items() if value != getattr(CostAssumptions, name)}
