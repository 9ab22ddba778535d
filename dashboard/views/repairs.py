"""Whether repairs held, and what came back inside a part's warranty: published rows in, words and rows out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from dashboard.palette import VERDICT, look
from dashboard.views.wording import KM_PER_MILE, count

NO_REPAIRS = "No repair is on record. Drops with a table of work bring them in."
SHOWN = ("vehicle_id", "done_at", "component", "verdict", "decided_at", "checked_at", "evidence")


@dataclass(frozen=True, kw_only=True)
class RepairsView:
    """A sentence, and the repairs newest first."""

    sentence: str
    rows: pl.DataFrame
    empty_reason: str = ""


def repairs(repair_outcome: pl.DataFrame, *, verdicts: Sequence[str], names: Mapping[str, str]) -> RepairsView:
    """The outcome of each repair.

    Args:
        repair_outcome: Published table.
        verdicts: Verdicts the reader picked; empty: all.
        names: What components are called.
    """
    picked = repair_outcome.filter(pl.col("verdict").is_in(list(verdicts))) if verdicts else repair_outcome
    labels = {verdict: each.label for verdict, each in VERDICT.items()}
    rows = picked.sort("done_at", "vehicle_id", "component", descending=[True, False, False]).with_columns(
        verdict=pl.col("verdict").replace_strict(labels, default=look(VERDICT, None).label, return_dtype=pl.String),
        component=_called(names),
    )
    empty = "No repair with this outcome." if repair_outcome.height else NO_REPAIRS
    return RepairsView(
        sentence=_sentence(repair_outcome),
        rows=rows.select(name for name in SHOWN if name in rows.columns),
        empty_reason="" if rows.height else empty,
    )


def comebacks(repair_outcome: pl.DataFrame, *, names: Mapping[str, str], miles: bool) -> pl.DataFrame:
    """What came back inside the part's warranty, newest first, with how long and how far it had stood.

    Args:
        repair_outcome: Published table; of a release before this one it does not know warranties.
        names: What components are called.
        miles: Distances in miles; otherwise kilometres.
    """
    if "in_warranty" not in repair_outcome.columns:
        return pl.DataFrame()
    km = pl.col("back_km") - pl.col("odometer_km")
    return (
        repair_outcome.filter(pl.col("in_warranty"))
        .sort("back_at", "vehicle_id", descending=[True, False])
        .select(
            "vehicle_id",
            "part_number",
            "part_batch",
            "done_at",
            "back_at",
            "warranty_until",
            "evidence",
            component=_called(names),
            days=(pl.col("back_at") - pl.col("done_at")).dt.total_days(),
            driven=(km / (KM_PER_MILE if miles else 1.0)).clip(lower_bound=0.0).round(0),
        )
        .select(
            "vehicle_id", "component", "part_number", "part_batch", "done_at", "back_at", "days", "driven",
            "warranty_until", "evidence",
        )
    )  # fmt: skip


def _called(names: Mapping[str, str]) -> pl.Expr:
    return pl.col("component").replace(dict(names)).str.replace_all("_", " ")


def _sentence(repair_outcome: pl.DataFrame) -> str:
    counts = dict(repair_outcome.group_by("verdict").len().iter_rows())
    decided = counts.get("held", 0) + counts.get("came_back", 0) + counts.get("not_reset", 0)
    if not decided:
        return "No repair can be judged yet." if repair_outcome.height else ""
    not_reset = counts.get("not_reset", 0)
    return (
        f"Of {count(decided, 'repair')} that can be judged, {counts.get('held', 0):,} held, "
        f"{counts.get('came_back', 0):,} came back and {not_reset:,} "
        f"{'was' if not_reset == 1 else 'were'} not followed by a reset of the learned values."
    )
