"""The contract's `vehicle_state`: how each vehicle stands and how soon it needs hands. Published frames in and out."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.handover import Evidence, History
from pipelines.in_service import in_service
from pipelines.workplan.rules import newest_memory_readings, rules_met, standing_codes

# Worst first. What stands still hides what it would have shown, so it comes before relearning, which is on course.
STATES = ("outside", "drifting", "not_learning", "relearning", "steady", "not_read", "not_fitted")
STRAYS = ("outside", "drifting")
NOT_JUDGED = ("not_read", "not_fitted")


def vehicle_states(
    correction_state: pl.DataFrame,
    outlier_scores: pl.DataFrame,
    cause_ranking: pl.DataFrame,
    fault_forecast: pl.DataFrame,
    *,
    evidence: Evidence,
    history: History,
) -> pl.DataFrame:
    """One row per vehicle in service at `as_of`, sorted by vehicle, in the contract's columns.

    The state is the worst of its corrections' in the order of `STATES`. Leeway is the least over corrections that can
    set a fault. The leading correction is the one that strays with the least leeway; where none strays, the one with
    the worst state, and among those the least leeway. Open faults are the codes
    that stand at the newest reading of the fault memory; null: it was never read. Urgency follows `urgency_rules.csv`
    and `urgency_limits.toml`; a vehicle not read for long is `unknown` unless a rule takes it off the road.

    Args:
        correction_state: The contract's table at as_of.
        outlier_scores: vehicle_id, outlier_score, is_outlier.
        cause_ranking: The contract's table at as_of.
        fault_forecast: The contract's table at as_of.
        evidence: Its vehicles, catalogue, snapshots and faults.
        history: Its readings and fault events.
    """
    leading = leading_corrections(correction_state, evidence.corrections)
    read = _last_read(history.readings, evidence)
    facts = (
        in_service(evidence.vehicles, evidence.as_of)
        .select("vehicle_id")
        .join(leading, on="vehicle_id", how="left")
        .join(read, on="vehicle_id", how="left")
        .join(outlier_scores.select("vehicle_id", "outlier_score", "is_outlier"), on="vehicle_id", how="left")
        .join(_open_faults(evidence), on="vehicle_id", how="left")
        .join(_limits_met(correction_state, evidence), on="vehicle_id", how="left")
        .join(_probabilities(fault_forecast), on="vehicle_id", how="left")
        .join(rules_met(cause_ranking, leading, evidence), on="vehicle_id", how="left")
        .with_columns(pl.col("state").fill_null("not_read"))
    )
    table = published_tables()["vehicle_state"]
    return (
        facts.with_columns(urgency=_urgency(), is_outlier=pl.col("is_outlier").fill_null(value=False))
        .select(table.schema.names())
        .cast(table.schema)
        .sort("vehicle_id")
    )


def leading_corrections(correction_state: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, state (worst), leeway_pct (least that can fault) and leading_correction."""
    can_fault = (pl.col("fault_high").fill_null("") != "") | (pl.col("fault_low").fill_null("") != "")
    judged = (
        correction_state.join(corrections.select(correction="code", can_fault=can_fault), on="correction", how="left")
        .with_columns(
            rank=pl.col("state").replace_strict(STATES, range(len(STATES)), return_dtype=pl.Int8),
            leeway=pl.when(pl.col("can_fault").fill_null(value=False) & ~pl.col("state").is_in(NOT_JUDGED)).then(
                "leeway_pct"
            ),
            strayed=pl.col("z").abs(),
        )
        .with_columns(group=pl.when(pl.col("state").is_in(STRAYS)).then(0).otherwise("rank"))
    )
    leading_first = judged.sort(
        "vehicle_id", "group", "leeway", "rank", "strayed", "correction",
        descending=[False, False, False, False, True, False], nulls_last=True,
    )  # fmt: skip
    return leading_first.group_by("vehicle_id", maintain_order=True).agg(
        pl.col("state").sort_by("rank").first(),
        leeway_pct=pl.col("leeway").min(),
        leading_correction=pl.col("correction").filter(~pl.col("state").is_in(NOT_JUDGED)).first(),
    )


def _open_faults(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id and open_faults; only vehicles whose memory was ever read."""
    counts = standing_codes(evidence).group_by("vehicle_id").agg(open_faults=pl.col("code").n_unique())
    known = newest_memory_readings(evidence).select("vehicle_id")
    return known.join(counts, on="vehicle_id", how="left").with_columns(pl.col("open_faults").fill_null(0))


def _last_read(readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, last_read_at, days_since_read and usual_gap (median days between readings)."""
    day = 86400e6
    return readings.group_by("vehicle_id").agg(
        last_read_at=pl.col("read_at").max(),
        days_since_read=(pl.lit(evidence.as_of) - pl.col("read_at").max()).dt.total_microseconds() / day,
        usual_gap=pl.col("read_at").sort().diff().median().dt.total_microseconds() / day,
    )


def _limits_met(correction_state: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """vehicle_id and days_to_limit, the soonest median date at which a correction meets its limit."""
    days = (pl.col("limit_at_p50") - pl.lit(evidence.as_of)).dt.total_microseconds() / 86400e6
    return correction_state.group_by("vehicle_id").agg(days_to_limit=days.min())


def _probabilities(fault_forecast: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, p7, p30, p90."""
    return fault_forecast.group_by("vehicle_id").agg(
        pl.col("probability").filter(pl.col("horizon_days") == days).first().alias(f"p{days}") for days in (7, 30, 90)
    )


def _urgency() -> pl.Expr:
    when = limits()
    week, plan, unknown = when["this_week"], when["plan"], when["unknown"]
    old = pl.col("days_since_read") > pl.max_horizontal(
        pl.lit(unknown["days"]), (unknown["usual_gaps"] * pl.col("usual_gap")).fill_null(0)
    )
    this_week = (
        (pl.col("p7") >= week["probability_7d"]).fill_null(value=False)
        | (pl.col("p30") >= week["probability_30d"]).fill_null(value=False)
        | (pl.col("days_to_limit") <= week["limit_within_days"]).fill_null(value=False)
        | (pl.col("rule_urgency") == "this_week").fill_null(value=False)
    )
    planned = (
        (pl.col("p30") >= plan["probability_30d"]).fill_null(value=False)
        | (pl.col("p90") >= plan["probability_90d"]).fill_null(value=False)
        | (pl.col("days_to_limit") <= plan["limit_within_days"]).fill_null(value=False)
        | (pl.col("open_faults") >= plan["open_faults"]).fill_null(value=False)
        | (pl.col("state").is_in(plan["states"]) & (pl.col("leeway_pct") <= plan["leeway_pct"]).fill_null(value=False))
    )
    return (
        pl.when(pl.col("rule_urgency") == "off_road")
        .then(pl.lit("off_road"))
        .when(pl.col("last_read_at").is_null() | old)
        .then(pl.lit("unknown"))
        .when(this_week)
        .then(pl.lit("this_week"))
        .when(planned)
        .then(pl.lit("plan"))
        .otherwise(pl.lit("none"))
    )


@cache
def limits() -> dict[str, dict[str, Any]]:
    """Probabilities and days from which on a vehicle is due this week or to be planned."""
    return tomllib.loads(files("pipelines.workplan").joinpath("urgency_limits.toml").read_text(encoding="utf-8"))
