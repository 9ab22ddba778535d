"""The months beyond the plan: whose limit is foreseen when, by the published dates; frames in, rows out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl

from dashboard.views.joined import Choice
from dashboard.views.wording import Reader, count, listed, plain

FARTHEST_DAYS = 365  # beyond which nobody plans work on today's figures (judgement, as in the plan)


@dataclass(frozen=True, kw_only=True)
class AheadView:
    """What is foreseen after the plan's last visit.

    Attributes:
        sentence: By month; empty: nothing is foreseen.
        rows: vehicle_id, month, depot, title, soonest, likely, latest (dates; null: may never be), soonest first.
    """

    sentence: str
    rows: pl.DataFrame


def months_ahead(
    correction_state: pl.DataFrame,
    *,
    vehicles: pl.DataFrame,
    corrections: pl.DataFrame,
    planned: Sequence[str],
    depots: Sequence[str],
    reader: Reader,
) -> AheadView:
    """Limits that set a code and are foreseen within a year, of vehicles without a visit: each one's soonest.

    Args:
        correction_state: Published table.
        vehicles: vehicle_id and depot.
        corrections: The catalogue.
        planned: Vehicles with a visit.
        depots: What the reader picked; empty: all.
        reader: Whose clock it is written for.
    """
    until = reader.as_of + timedelta(days=FARTHEST_DAYS)
    soonest = (
        correction_state.join(_with_a_code(corrections), on="correction", how="semi")
        .filter(
            pl.col("limit_at_p50").is_between(pl.lit(reader.as_of), pl.lit(until)),
            ~pl.col("vehicle_id").is_in(list(planned)),
        )
        .sort("limit_at_p50", "vehicle_id", "correction")
        .unique("vehicle_id", keep="first", maintain_order=True)
        .join(vehicles.select("vehicle_id", "depot"), on="vehicle_id")
        .join(corrections.select(correction="code", title=pl.col("title").fill_null(pl.col("code"))), on="correction")
    )
    rows = Choice(depot=depots).of(soonest, "depot").select(
        "vehicle_id",
        month=_days(pl.col("limit_at_p50"), reader).dt.truncate("1mo"),
        depot="depot",
        title="title",
        soonest=_days(pl.col("limit_at_p10"), reader),
        likely=_days(pl.col("limit_at_p50"), reader),
        latest=_days(pl.col("limit_at_p90"), reader),
    ).sort("likely", "vehicle_id")  # fmt: skip
    return AheadView(sentence=_sentence(rows, reader.as_of), rows=rows)


def _with_a_code(corrections: pl.DataFrame) -> pl.DataFrame:
    """Corrections of which a limit sets a code: of the others no fault follows."""
    sides = pl.concat_str(pl.col("fault_low", "fault_high").fill_null(""))
    return corrections.filter(sides != "").select(correction="code")


def _days(at: pl.Expr, reader: Reader) -> pl.Expr:
    return at.dt.convert_time_zone(str(reader.zone)).dt.date()


def _sentence(rows: pl.DataFrame, as_of: datetime) -> str:
    by_month = rows.group_by("month", maintain_order=True).agg(pl.len(), depots=pl.col("depot").drop_nulls().unique())
    said = [
        f"{count(many, 'vehicle')} in {_month(month, as_of)}" + (f" ({', '.join(sorted(depots))})" if depots else "")
        for month, many, depots in by_month.iter_rows()
    ]
    return f"A limit is foreseen of {listed([plain(each) for each in said])}." if said else ""


def _month(month: date, as_of: datetime) -> str:
    return f"{month:%B}" if month.year == as_of.year else f"{month:%B %Y}"
