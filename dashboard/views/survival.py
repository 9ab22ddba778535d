"""How long work stands, as a page says it: published curves in, those to draw and a table of shares out."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from dashboard.views.wording import percent
from pipelines.recurring.survival import standing_at

MOST_CURVES = 5  # as many as there are colours
AFTER = {"after_90": 90, "after_180": 180, "after_365": 365}
SPLITS = {
    "kind": "kind of work",
    "component": "part",
    "part_number": "part number",
    "part_batch": "batch",
    "workshop": "workshop",
}


@dataclass(frozen=True, kw_only=True)
class SurvivalView:
    """Curves of one split.

    Attributes:
        curves: `name, days, standing, low, high`, of the first levels and of all work.
        order: Names of these curves, the first drawn with its limits.
        rows: `name, jobs, returned` and one text a column of AFTER, all levels, those that stand least first.
        empty_reason: Why there is nothing to draw.
    """

    curves: pl.DataFrame
    order: list[str]
    rows: pl.DataFrame
    empty_reason: str = ""


NOTHING = "Too little work was done and watched since to say how long it stands."


def splits_of(repair_survival: pl.DataFrame) -> list[str]:
    """Splits that this fleet's record allows."""
    if not repair_survival.width:
        return []
    known = set(repair_survival["factor"].to_list())
    return [split for split in SPLITS if split in known]


def survival(repair_survival: pl.DataFrame, *, split: str, names: Mapping[str, str]) -> SurvivalView:
    """The curves of one split.

    Args:
        repair_survival: Published table; without columns where a release before this one published.
        split: A key of SPLITS.
        names: What components are called.
    """
    if not repair_survival.height or split not in splits_of(repair_survival):
        return SurvivalView(curves=pl.DataFrame(), order=[], rows=pl.DataFrame(), empty_reason=NOTHING)
    mine = repair_survival.filter(pl.col("factor").is_in([split, "all"])).with_columns(
        name=pl.when(pl.col("factor") == "all").then(pl.lit("all work")).otherwise(_named(split, names))
    )
    levels = mine.unique("name", maintain_order=True).select("name", "jobs", "returned", "factor").to_dicts()
    rows = []
    for level in levels:
        curve = mine.filter(pl.col("name") == level["name"])
        after = {column: _words(curve, days) for column, days in AFTER.items()}
        rows.append({"name": level["name"], "jobs": level["jobs"], "returned": level["returned"], **after})
    by_share = {row["name"]: (row["returned"] / row["jobs"], row["jobs"]) for row in rows}
    worst = sorted((name for name in by_share if name != "all work"), key=lambda name: (-by_share[name][0], name))
    drawn = worst if len(worst) < MOST_CURVES else _most_telling(worst, by_share)
    order = [*drawn, "all work"] if "all work" in by_share else drawn
    place = {name: number for number, name in enumerate([*worst, "all work"])}
    return SurvivalView(
        curves=mine.filter(pl.col("name").is_in(order)).select("name", "days", "standing", "low", "high"),
        order=order,
        rows=pl.DataFrame(sorted(rows, key=lambda row: place[str(row["name"])])),
    )


def _most_telling(worst: list[str], by_share: Mapping[str, tuple[float, int]]) -> list[str]:
    """The levels of which most came back, as many as can be told apart beside all work."""
    came = sorted(worst, key=lambda name: (-by_share[name][0] * by_share[name][1], name))[: MOST_CURVES - 1]
    return [name for name in worst if name in came]


def _named(split: str, names: Mapping[str, str]) -> pl.Expr:
    level = pl.col("level").replace(dict(names)).str.replace_all("_", " ")
    if split not in ("part_number", "part_batch"):
        return level
    part = pl.col("component").replace(dict(names))
    return pl.when(part.is_null()).then(level).otherwise(pl.concat_str(pl.col("level"), pl.lit(", "), part))


def _words(curve: pl.DataFrame, days: int) -> str:
    at = standing_at(curve, days)
    return "not watched so long" if at is None else f"{percent(at[0])} ({percent(at[1])} to {percent(at[2])})"
