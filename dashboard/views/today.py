"""What the fleet looks like today: who needs attention and why, most urgent first."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from dashboard.palette import URGENCY, look
from dashboard.views.joined import Choice, with_catalogue, with_vehicles
from dashboard.views.leeway import leeway_that_counts
from dashboard.views.sentences import short_sentence
from dashboard.views.together import age_sentence
from dashboard.views.too_little import is_all_learning
from dashboard.views.wording import Reader, count, listed, number, percent

NO_CAUSE = "none_of_these"  # what a ranking calls the chance that no known cause is the true one
NONE_KNOWN = "None of the known causes"
LIKELIER_THAN_NOT = 0.5
MOST_FIRST = 8  # vehicles said by name before the table (judgement: they fit a screen)
NEW_DAYS = 30  # an alarm is new this long
DAYS_PER_YEAR = 365.25

ROWS_SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "urgency": pl.String(),
        "why": pl.String(),
        "correction": pl.String(),
        "title": pl.String(),
        "what": pl.String(),
        "cause": pl.String(),
        "cause_probability": pl.Float64(),
        "leeway_pct": pl.Float64(),
        "chance_7": pl.Float64(),
        "chance_30": pl.Float64(),
        "chance_90": pl.Float64(),
        "likely_code": pl.String(),
        "open_faults": pl.Int64(),
        "outlier_score": pl.Float64(),
        "is_outlier": pl.Boolean(),
        "last_read_at": pl.Datetime("us", "UTC"),
        "days_since_read": pl.Float64(),
        "engine_family": pl.String(),
        "depot": pl.String(),
    }
)


@dataclass(frozen=True, kw_only=True)
class TodayView:
    """What the page says: how many vehicles stand at each urgency, the alarms of this month, and the list."""

    sentence: str
    watched: str
    age: str
    alarms: str
    rows: pl.DataFrame
    empty_reason: str = ""


@dataclass(frozen=True, kw_only=True)
class FleetTables:
    """Published tables of one as_of, with the fleet's vehicles and the words for corrections and causes."""

    vehicle_state: pl.DataFrame
    correction_state: pl.DataFrame
    fault_forecast: pl.DataFrame
    cause_ranking: pl.DataFrame
    vehicles: pl.DataFrame
    corrections: pl.DataFrame
    cause_titles: Mapping[str, str]


def today(
    tables: FleetTables, *, choice: Choice, reader: Reader, false_alarms_per_vehicle_year: float | None
) -> TodayView:
    """The fleet at `reader.as_of`, cut to what was picked.

    Args:
        tables: Of that as_of.
        choice: Depots, engine families and urgencies to keep.
        reader: Whose clock it is written for.
        false_alarms_per_vehicle_year: The promise these alarms were set by; None: not on record.
    """
    fleet = with_vehicles(tables.vehicle_state, tables.vehicles)
    fleet = choice.of(fleet, "depot", "engine_family")
    counts = {urgency: fleet.filter(pl.col("urgency") == urgency).height for urgency in URGENCY}
    watched = fleet.filter(pl.col("urgency") == "none", pl.col("state").is_in(["drifting", "outside"])).height
    rows = _rows(choice.of(fleet, "urgency"), tables, reader)
    return TodayView(
        sentence=_sentence(counts),
        watched=" ".join(filter(None, [_watched(watched), _unlearned(fleet, tables.correction_state)])),
        age=age_sentence(fleet, reader),
        alarms=_alarms(fleet, tables.correction_state, reader, false_alarms_per_vehicle_year),
        rows=rows,
        empty_reason="" if rows.height else _empty_reason(fleet, tables.vehicle_state),
    )


def _sentence(counts: dict[str, int]) -> str:
    total = sum(counts.values())
    if not total:
        return "No vehicle is in service."
    said = [
        f"{counts[urgency]:,} {one if counts[urgency] == 1 else many}"
        for urgency, one, many in (
            ("off_road", "should not be driven until looked at", "should not be driven until looked at"),
            ("this_week", "should be looked at this week", "should be looked at this week"),
            ("plan", "can be planned", "can be planned"),
            ("none", "needs nothing now", "need nothing now"),
        )
        if counts[urgency]
    ]
    if counts["unknown"]:
        said.append(f"too little is known of {counts['unknown']:,}")
    return f"Of {count(total, 'vehicle')}, {listed(said)}."


def _watched(strays: int) -> str:
    """What is said of vehicles that stray and need nothing yet; empty where there are none."""
    if not strays:
        return ""
    them = "it" if strays == 1 else "them"
    return (
        f"{strays:,} of those that need nothing now {'strays' if strays == 1 else 'stray'} too, but not so far, or not "
        f"so dangerously, that work on {them} would pay yet."
    )


def _unlearned(fleet: pl.DataFrame, correction_state: pl.DataFrame) -> str:
    """That nothing can be judged yet of some vehicles that need nothing; empty where there are none."""
    resting = correction_state.join(fleet.filter(pl.col("urgency") == "none"), on="vehicle_id", how="semi")
    new = resting.group_by("vehicle_id").agg(is_all_learning()).filter("all_learning").height
    if not new:
        return ""
    who = "is still being learned" if new == 1 else "are still being learned"
    return (
        f"{new:,} of those that need nothing now {who}: only a level beyond what healthy engines hold would show yet."
    )


def _alarms(fleet: pl.DataFrame, correction_state: pl.DataFrame, reader: Reader, promise: float | None) -> str:
    """How many alarms of this month stand, and how many of them the setting lets be false."""
    since = reader.as_of - timedelta(days=NEW_DAYS)
    alarms = correction_state.join(fleet.select("vehicle_id"), on="vehicle_id", how="semi").filter("alarm")
    new = alarms.filter(pl.col("alarm_at") > since).get_column("vehicle_id").n_unique()
    every = "" if promise is None else f"one false alarm in {number(1 / promise)} years of a healthy vehicle"
    if not new:
        allowed = f" The setting allows {every}." if every else ""
        return f"No alarm of the last {NEW_DAYS} days stands.{allowed}"
    told = f"{count(new, 'vehicle').capitalize()} raised an alarm in the last {NEW_DAYS} days"
    if promise is None:
        return f"{told}."
    expected = promise * fleet.height * NEW_DAYS / DAYS_PER_YEAR
    return f"{told}; {_false_of(expected, new)} (the setting allows {every}, and there are {fleet.height:,} vehicles)."


def _false_of(expected: float, new: int) -> str:
    """'about 9.9 of them, 49 %, should be false alarms': an upper estimate, as if every vehicle were healthy."""
    if expected >= new:
        return "chance alone may account for it" if new == 1 else "chance alone may account for all of them"
    share = percent(expected / new)
    if expected < 1:
        return f"at most {share} of that should be false alarms"
    return f"at most about {number(expected)} of them, {share}, should be false alarms"


def _rows(fleet: pl.DataFrame, tables: FleetTables, reader: Reader) -> pl.DataFrame:
    leading = with_catalogue(
        fleet.select("vehicle_id", correction="leading_correction")
        .drop_nulls()
        .join(tables.correction_state, on=["vehicle_id", "correction"], how="inner"),
        tables.corrections,
    )
    said = [short_sentence(row, reader) for row in leading.to_dicts()]
    what = leading.select("vehicle_id", "correction", "title").with_columns(what=pl.Series(said, dtype=pl.String))
    labels = {urgency: each.label for urgency, each in URGENCY.items()}
    counts = leeway_that_counts(tables.correction_state, tables.corrections)
    return (
        fleet.with_columns(worked_on=_worked_on(fleet, reader))
        .drop("leeway_pct")
        .join(counts, on="vehicle_id", how="left", maintain_order="left")
        .with_columns(why=pl.coalesce("urgency_reason", "worked_on", "near_without_code"))
        .with_columns(pl.col("why").map_elements(reader.said, return_dtype=pl.String))
        .join(what, on="vehicle_id", how="left")
        .join(_first_causes(tables.cause_ranking, tables.cause_titles), on="vehicle_id", how="left")
        .join(chances(tables.fault_forecast), on="vehicle_id", how="left")
        .with_columns(pl.when(_has_a_cause()).then(pl.col("cause", "cause_probability")))
        .pipe(urgent_first)
        .with_columns(
            urgency=pl.col("urgency").replace_strict(labels, default=look(URGENCY, None).label, return_dtype=pl.String)
        )
        .select(pl.col(name).cast(dtype) for name, dtype in ROWS_SCHEMA.items())
    )


def _has_a_cause() -> pl.Expr:
    """Whether a vehicle's first cause is said: it strays, or together its corrections look like one."""
    alike = (pl.col("cause") != NONE_KNOWN) & (pl.col("cause_probability") > LIKELIER_THAN_NOT)
    return pl.col("state").is_in(["drifting", "outside"]) | alike.fill_null(value=False)


def first_in_line(rows: pl.DataFrame) -> list[tuple[str, str]]:
    """Vehicles that cannot wait, in the order of the list, with why in a line: `(vehicle_id, why)`."""
    labels = {look(URGENCY, urgency).label for urgency in ("off_road", "this_week")}
    urgent = rows.filter(pl.col("urgency").is_in(labels)).head(MOST_FIRST)
    return [
        (row["vehicle_id"], f"{row['urgency']} — {row['why'] or row['what'] or 'no reason was published'}")
        for row in urgent.to_dicts()
    ]


def urgent_first(rows: pl.DataFrame) -> pl.DataFrame:
    """The order of the list: by urgency, then by chance of a fault within 30 days, then by leeway.

    Args:
        rows: With `urgency, chance_30, leeway_pct, vehicle_id`.
    """
    rank = pl.col("urgency").replace_strict(
        {urgency: rank for rank, urgency in enumerate(URGENCY)}, default=len(URGENCY), return_dtype=pl.Int32
    )
    return rows.sort(
        rank, "chance_30", "leeway_pct", "vehicle_id", descending=[False, True, False, False], nulls_last=True
    )


def _worked_on(fleet: pl.DataFrame, reader: Reader) -> pl.Series:
    """What is said of a vehicle that needs nothing and was worked on since it was read."""
    days = [None if at is None else reader.day(at) for at in fleet.get_column("worked_on_at")]
    said = [None if day is None else f"Worked on {day}, not read since." for day in days]
    return pl.Series(said, dtype=pl.String)


def grouping(rows: pl.DataFrame) -> tuple[str, str]:
    """Column the bars stand for and its name: depots, or engine families in a fleet that names no depot."""
    if rows.get_column("depot").null_count() < rows.height:
        return "depot", "depot"
    return "engine_family", "engine family"


def chances(fault_forecast: pl.DataFrame) -> pl.DataFrame:
    """One row a vehicle: chance_7, chance_30, chance_90 (0-1) and the code likely within 30 days."""
    return fault_forecast.group_by("vehicle_id").agg(
        *(
            pl.col("probability").filter(pl.col("horizon_days") == days).first().alias(f"chance_{days}")
            for days in (7, 30, 90)
        ),
        pl.col("likely_code").filter(pl.col("horizon_days") == 30).first().alias("likely_code"),
    )


def _first_causes(cause_ranking: pl.DataFrame, cause_titles: Mapping[str, str]) -> pl.DataFrame:
    first = cause_ranking.filter(pl.col("rank") == 1).unique("vehicle_id", keep="first", maintain_order=True)
    named = [cause_name(row["cause"], row["bank"], row["cylinder"], cause_titles) for row in first.to_dicts()]
    return first.select("vehicle_id", cause_probability="probability").with_columns(
        cause=pl.Series(named, dtype=pl.String)
    )


def cause_name(cause: str, bank: int | None, cylinder: int | None, cause_titles: Mapping[str, str]) -> str:
    """A cause as it is read: 'Restricted injector, cylinder 3'."""
    if cause == NO_CAUSE:
        return NONE_KNOWN
    title = cause_titles.get(cause) or cause.replace("_", " ").capitalize()
    where = f", cylinder {cylinder}" if cylinder is not None else f", bank {bank}" if bank is not None else ""
    return f"{title}{where}"


def _empty_reason(fleet: pl.DataFrame, vehicle_state: pl.DataFrame) -> str:
    if not vehicle_state.height:
        return "No vehicle was in service on this date, or none was read by then."
    if not fleet.height:
        return "No vehicle matches this depot and engine family. Widen the choice above."
    return "No vehicle stands at the urgency picked. Widen the choice above."
