"""Depots whose vehicles moved together in a week: what bands saw in, rows of `recurring_issue` out.

Fuel, weather, a reader: what all vehicles of a depot do at once is no trouble of each, and one finding. It is a
condition until vehicles there are told of a cause that can reach a depot; then that is what it is about.
"""

from collections.abc import Callable, Mapping
from datetime import timedelta

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import causes

FINDING = 0.05  # chance of it among all depots' weeks, up to which it is a finding
LONGEST_AGO = pl.duration(days=182)  # what a depot shared before is history (judgement)
ONE_MOVE_DAYS = 28  # what moves within so many days of what moved before, be it at another depot, is one movement
STILL_ON = timedelta(days=56)  # what moved a depot so long ago may be what its vehicles are told of now (judgement)
LIKELY = 0.5  # probability from which a vehicle's cause names what moved its depot
IN_100_MONTHS = 100.0


def causes_of_depots(cause_ranking: pl.DataFrame, vehicles: pl.DataFrame) -> dict[str, str]:
    """By depot: the cause that can reach a depot and that is first on most of its vehicles of which one is.

    Args:
        cause_ranking: The contract's table.
        vehicles: The drop table, for the depots.
    """
    reaching = [key for key, cause in causes().items() if cause.reaches_depots]
    first = cause_ranking.filter(
        pl.col("rank") == 1, pl.col("probability") >= LIKELY, pl.col("cause").is_in(reaching)
    ).join(vehicles.select("vehicle_id", "depot").drop_nulls(), on="vehicle_id")
    most = first.group_by("depot", "cause").len().sort("depot", "len", "cause", descending=[False, True, False])
    return dict(most.unique("depot", keep="first", maintain_order=True).select("depot", "cause").iter_rows())


def moved_depots(
    moved: pl.DataFrame | None, months: pl.DataFrame, titles: dict[str, str], issue_id: Callable[[str, str, str], str],
    named: Mapping[str, str],
) -> pl.DataFrame:  # fmt: skip
    """One row per movement of a depot as a whole, newest first.

    Args:
        moved: Rows of bands' `MOVED`; None: not kept.
        months: Vehicle-months with `depot`.
        titles: What corrections are called.
        issue_id: Function of factor, level and what, giving the row's key.
        named: From `causes_of_depots`.
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
    since = moved["week_from"].max() - STILL_ON  # type: ignore[operator]
    rows = []
    for row in newest:
        at_once = {named.get(depot) if row["week_from"] >= since else None for depot in row["depots"]}
        cause = at_once.pop() if len(at_once) == 1 else None
        cause = cause if cause and causes()[cause].moves(str(row["correction"])) else None
        rows.append(_row({**row, "cause": cause}, exposed, months.height, titles, issue_id))
    return pl.DataFrame(rows, schema=schema)


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
    cause = str(row["cause"]) if row["cause"] else None
    means = f"most likely {titles.get(cause, cause)}" if cause else "what its vehicles share, no trouble of each"
    return {
        "issue_id": issue_id("depot", depot, f"moved|{since:%Y-%m-%d}"),
        "title": f"{where}: {titles.get(code, code)}{beside} {way} together in "
        f"the week from {since:%d %B %Y}, {abs(moved):.1f} healthy scatters: {means}",
        "factor": "depot",
        "level": depot,
        "cause_or_correction": cause or code,
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
