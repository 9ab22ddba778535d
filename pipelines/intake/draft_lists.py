"""Lists of vehicles: told from readings by what their columns mean, and the engine family of each vehicle found."""

import polars as pl

from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.casting import Reading, cast, is_empty
from pipelines.intake.draft_cells import targets
from pipelines.intake.draft_columns import TIME_COLUMN, Found, meanings_of
from pipelines.intake.draft_keys import Question
from pipelines.intake.draft_times import time_form
from pipelines.intake.headers import read_header
from pipelines.intake.mapping import MappedColumn

NAMES = {"vehicle_id", "vin"}
DESCRIBES = {"vin", "engine_family", "~model", "model_year", "depot", "duty", "in_service_on"}
MOST_FAMILIES = 0.5  # of a column's cells: as many distinct texts at most, where it says who is alike; judgement
ONE_FAMILY = "all vehicles"


def is_vehicle_list(cells: pl.DataFrame, catalogue: pl.DataFrame) -> bool:
    """Whether a file has a row a vehicle that says what it is: neither corrections nor times of readings."""
    meant = meanings_of(cells, targets("snapshots", catalogue), catalogue)
    every = set().union(*meant.values()) if meant else set()
    named = [name for name, each in meant.items() if each & NAMES]
    if not named or not every & DESCRIBES or every & ({TIME_COLUMN} | set(catalogue["code"])):
        return False
    return any(_one_row_each(cells[name]) for name in named)


def _one_row_each(cells: pl.Series) -> bool:
    filled = cells.filter(~is_empty(cells, "text")) if cells.dtype == pl.String else cells.drop_nulls()
    return len(filled) > 0 and filled.n_unique() == len(filled)


def with_dates(columns: list[MappedColumn], cells: pl.DataFrame) -> list[MappedColumn]:
    """The columns with that of the day on which a vehicle began its service, where one says it."""
    for name in (name for name in cells.columns if name not in BOOKKEEPING):
        if "in_service_on" in read_header(name).meanings() and (form := time_form(cells[name])) and form.kind == "day":
            return [*columns, MappedColumn(to="in_service_on", source=name, form=form.form)]
    return columns


def family_question(cells: pl.DataFrame, found: Found) -> Question:
    """Which column, or which one name, says whose engines are alike."""
    model = found.roles.get("~model", "")
    used = {column.source for column in found.columns}
    texts = [
        name for name in cells.columns
        if name not in BOOKKEEPING and name not in used and _groups(cells[name])
    ]  # fmt: skip
    offered = sorted(texts, key=lambda name: name != model)
    options = [(name, f"the column '{name}' says it, such as {_first(cells[name])}") for name in offered]
    return Question(
        key="engine_family",
        text="No column is known to name the engine. What says whose engines are alike: a column, or one name for all?",
        options=(*options, (ONE_FAMILY, "all of them are compared with each other")),
    )


def _groups(cells: pl.Series) -> bool:
    """Whether cells are words that several rows share."""
    if cells.dtype != pl.String:
        return False
    texts = cast(cells, "text", Reading()).drop_nulls()
    distinct = texts.n_unique()
    return 0 < distinct <= max(1, MOST_FAMILIES * len(texts)) and not texts.str.contains(r"^[-+]?[\d.,]+$").all()


def _first(cells: pl.Series) -> str:
    return str(cast(cells, "text", Reading()).drop_nulls().first())
