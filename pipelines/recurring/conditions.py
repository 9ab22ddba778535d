"""Depots whose vehicles moved together in a week: what bands saw in, rows of `recurring_issue` out; conditions.

Fuel, weather, a reader: what all vehicles of a depot do at once is no trouble of each, and one finding.
"""

from collections.abc import Callable

import polars as pl

from pipelines.catalogue.tables import published_tables

FINDING = 0.05  # chance of it among all depots' weeks, up to which it is a finding
LONGEST_AGO = pl.duration(days=182)  # what a depot shared before is history (judgement)
ONE_MOVE_DAYS = 28  # what moves within so many days of what moved before, be it at another depot, is one movement
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
    newest_month = months["month"].max()
    recent = pl.col("week_from") > pl.lit(newest_month, pl.Datetime("us", "UTC")) - LONGEST_AGO
    new = pl.col("week_from").diff().dt.total_days().fill_null(ONE_MOVE_DAYS + 1) > ONE_MOVE_DAYS
    of_depot = pl.struct("depot", "engine_family", "vehicles").unique()
    several = (
        moved.filter(pl.col("chance") <= FINDING, recent)
        .sort("week_from", "depot", "engine_family", "correction")
        .with_columns(turn=new.cum_sum())
        .sort(pl.col("moved").abs(), descending=True, maintain_order=True)
        .group_by("turn", maintain_order=True)
        .agg(
            pl.col("correction", "moved", "chance").first(),
            pl.col("week_from").min(),
            together=pl.col("correction").n_unique(),
            depots=pl.col("depot").unique().sort(),
            vehicles=of_depot.struct.field("vehicles").sum(),
        )
    )
    exposed = dict(months.group_by("depot").len().iter_rows())
    newest = several.sort("week_from", descending=True).to_dicts()
    return pl.DataFrame([_row(row, exposed, months.height, titles, issue_id) for row in newest], schema=schema)


def _row(
    row: dict[str, object], exposed: dict[str, int], months: int, titles: dict[str, str],
    issue_id: Callable[[str, str, str], str],
) -> dict[str, object]:  # fmt: skip
    depots: list[str] = row["depots"]  # type: ignore[assignment]
    depot, code, vehicles = " and ".join(depots), str(row["correction"]), int(str(row["vehicles"]))
    where = f"Depot {depot}" if len(depots) == 1 else f"Depots {depot}"
    since, together, moved = row["week_from"], int(str(row["together"])), float(str(row["moved"]))
    alone = "moved up" if moved > 0 else "moved down"
    way = alone if len(depots) == 1 else "moved, each in its way,"
    beside = f" and {together - 1} other correction{'s' if together > 2 else ''}" if together > 1 else ""
    return {
        "issue_id": issue_id("depot", depot, f"moved|{since:%Y-%m-%d}"),
        "title": f"{where}: {titles.get(code, code)}{beside} {way} together in "
        f"the week from {since:%d %B %Y}, {abs(moved):.1f} healthy scatters: what its vehicles share, no trouble of "
        "each",
        "factor": "depot",
        "level": depot,
        "cause_or_correction": code,
        "vehicles": vehicles,
        "rate": IN_100_MONTHS * vehicles / max(sum(exposed.get(each, 0) for each in depots), vehicles, 1),
        "fleet_rate": IN_100_MONTHS * vehicles / max(months, vehicles, 1),
        "rate_ratio": None,
        "low": None,
        "high": None,
        "q_value": row["chance"],
        "first_seen_at": since,
        "events": vehicles,
    }
