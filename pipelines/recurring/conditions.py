"""Depots whose vehicles moved together in a week: what bands saw in, rows of `recurring_issue` out; conditions.

Fuel, weather, a reader: what all vehicles of a depot do at once is no trouble of each, and one finding.
"""

from collections.abc import Callable

import polars as pl

from pipelines.catalogue.tables import published_tables

FINDING = 0.05  # chance of it among all depots' weeks, up to which it is a finding
LONGEST_AGO = pl.duration(days=365)  # what a depot shared before is history (judgement)
ONE_MOVE_DAYS = 28  # what moves within so many days of what moved before is one movement of a depot
IN_100_MONTHS = 100.0


def moved_depots(
    moved: pl.DataFrame | None, months: pl.DataFrame, titles: dict[str, str], issue_id: Callable[[str, str, str], str]
) -> pl.DataFrame:
    """One row per movement of a depot as a whole, newest first.

    Args:
        moved: Rows of bands' `MOVED`; None: not kept.
        months: Vehicle-months with `depot`.
        titles: What corrections are called.
        issue_id: Function of factor, level and what, giving the row's key.
    """
    schema = pl.Schema({**published_tables()["recurring_issue"].schema, "events": pl.Int64()})
    if moved is None or moved.is_empty():
        return pl.DataFrame(schema=schema)
    new = pl.col("week_from").diff().over("depot").dt.total_days().fill_null(ONE_MOVE_DAYS + 1) > ONE_MOVE_DAYS
    several = (
        moved.sort("depot", "week_from", "engine_family", "correction")
        .with_columns(turn=new.cum_sum().over("depot"))
        .sort(pl.col("moved").abs(), descending=True, maintain_order=True)
        .group_by("depot", "turn", maintain_order=True)
        .agg(
            pl.col("correction", "moved", "chance").first(),
            pl.col("week_from").min(),
            together=pl.col("correction").n_unique(),
            vehicles=pl.struct("engine_family", "vehicles").unique().struct.field("vehicles").max(),
        )
    )  # fmt: skip
    newest_month = months["month"].max()
    several = several.filter(
        pl.col("chance") <= FINDING, pl.col("week_from") > pl.lit(newest_month, pl.Datetime("us", "UTC")) - LONGEST_AGO
    )
    exposed = dict(months.group_by("depot").len().iter_rows())
    newest = several.sort("week_from", descending=True).to_dicts()
    return pl.DataFrame([_row(row, exposed, months.height, titles, issue_id) for row in newest], schema=schema)


def _row(
    row: dict[str, object], exposed: dict[str, int], months: int, titles: dict[str, str],
    issue_id: Callable[[str, str, str], str],
) -> dict[str, object]:  # fmt: skip
    depot, code, vehicles = str(row["depot"]), str(row["correction"]), int(str(row["vehicles"]))
    since, together, moved = row["week_from"], int(str(row["together"])), float(str(row["moved"]))
    beside = f" and {together - 1} other correction{'s' if together > 2 else ''}" if together > 1 else ""
    return {
        "issue_id": issue_id("depot", depot, f"moved|{since:%Y-%m-%d}"),
        "title": f"Depot {depot}: {titles.get(code, code)}{beside} moved {'up' if moved > 0 else 'down'} together in "
        f"the week from {since:%d %B %Y}, {abs(moved):.1f} healthy scatters: what its vehicles share, no trouble of "
        "each",
        "factor": "depot",
        "level": depot,
        "cause_or_correction": code,
        "vehicles": vehicles,
        "rate": IN_100_MONTHS * vehicles / max(exposed.get(depot, 0), vehicles, 1),
        "fleet_rate": IN_100_MONTHS * vehicles / max(months, vehicles, 1),
        "rate_ratio": None,
        "low": None,
        "high": None,
        "q_value": row["chance"],
        "first_seen_at": since,
        "events": vehicles,
    }
