"""The contract's `vehicle_state`: how each vehicle stands and how soon it needs hands. Published frames in and out."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.handover import Evidence, History
from pipelines.history.fault_memory import known_memories, remembered_codes
from pipelines.history.since_reading import SinceReading, since_reading
from pipelines.in_service import in_service
from pipelines.workplan.dangers import dangers
from pipelines.workplan.rules import rules_met
from pipelines.workplan.urgency_words import Words, urgency_reason

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

    The state is the worst of its corrections' in the order of `STATES`. Leeway is the least of its corrections',
    towards sides that can set a fault; of one whose catalogue names no code, towards both. The leading correction is
    the one that strays with the least leeway; where none strays, the one with the worst state, and among those the
    least leeway. These say what was read.

    Open faults are the codes in the memory at the newest reading, less those cleared since; null: that reading did not
    look, or the memory was lost with the power. Urgency follows `urgency_rules.csv` and `urgency_limits.toml`; what was
    worked on since the newest reading counts no more, but for what keeps a vehicle off the road, and where it would
    have counted a reading is asked for. A vehicle not read for long is `unknown` unless a rule takes it off the road.

    Args:
        correction_state: The contract's table at as_of.
        outlier_scores: vehicle_id, outlier_score, is_outlier.
        cause_ranking: The contract's table at as_of.
        fault_forecast: The contract's table at as_of.
        evidence: Its vehicles, catalogue, snapshots, faults and work.
        history: Its readings and fault events.
    """
    since = since_reading(evidence)
    codes = remembered_codes(evidence, history.fault_events, since)
    speaking = correction_state.join(since.corrections, on=["vehicle_id", "correction"], how="anti")
    leading = leading_corrections(correction_state)
    facts = (
        in_service(evidence.vehicles, evidence.as_of)
        .select("vehicle_id")
        .join(leading, on="vehicle_id", how="left")
        .join(_last_read(history.readings, evidence), on="vehicle_id", how="left")
        .join(_held(history.readings, evidence), on="vehicle_id", how="left")
        .join(outlier_scores.select("vehicle_id", "outlier_score", "is_outlier"), on="vehicle_id", how="left")
        .join(_open_faults(evidence, codes), on="vehicle_id", how="left")
        .join(since.worked_on(), on="vehicle_id", how="left")
        .join(_what_counts(speaking, evidence), on="vehicle_id", how="left")
        .join(_standing(codes), on="vehicle_id", how="left")
        .join(reading_asked(correction_state, codes, since), on="vehicle_id", how="left")
        .join(_probabilities(fault_forecast), on="vehicle_id", how="left")
        .join(met_rules(cause_ranking, leading, codes, evidence), on="vehicle_id", how="left")
        .with_columns(pl.col("state").fill_null("not_read"), pl.col("reading_asked").fill_null(value=False))
        .with_columns(criterion=_criterion())
        .with_columns(urgency=pl.col("criterion").struct.field("urgency"), why=pl.col("criterion").struct.field("why"))
    )
    table = published_tables()["vehicle_state"]
    words = Words(evidence)
    reasons = [urgency_reason(row, words) for row in facts.iter_rows(named=True)]
    return (
        facts.with_columns(
            pl.col("held_readings").fill_null(0),
            urgency_reason=pl.Series(reasons, dtype=pl.String),
            is_outlier=pl.col("is_outlier").fill_null(value=False),
        )
        .select(table.schema.names())
        .cast(table.schema)
        .sort("vehicle_id")
    )


def leading_corrections(correction_state: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, state (worst), leeway_pct (the least) and leading_correction."""
    judged = _judged(correction_state)
    leading_first = judged.sort(
        "vehicle_id", "group", "leeway", "rank", "strayed", "correction",
        descending=[False, False, False, False, True, False], nulls_last=True,
    )  # fmt: skip
    return leading_first.group_by("vehicle_id", maintain_order=True).agg(
        pl.col("state").sort_by("rank").first(),
        leeway_pct=pl.col("leeway").min(),
        leading_correction=pl.col("correction").filter(~pl.col("state").is_in(NOT_JUDGED)).first(),
    )


def _judged(correction_state: pl.DataFrame) -> pl.DataFrame:
    """Corrections with `leeway` (of those judged) and what orders them."""
    return correction_state.with_columns(
        rank=pl.col("state").replace_strict(STATES, range(len(STATES)), return_dtype=pl.Int8),
        leeway=pl.when(~pl.col("state").is_in(NOT_JUDGED)).then("leeway_pct"),
        strayed=pl.col("z").abs(),
    ).with_columns(group=pl.when(pl.col("state").is_in(STRAYS)).then(0).otherwise("rank"))


def reading_asked(correction_state: pl.DataFrame, codes: pl.DataFrame, since: SinceReading) -> pl.DataFrame:
    """vehicle_id and reading_asked (true): work since the newest reading was about something that counted.

    A correction that strayed or was to meet its limit, or a code that stood; what became of it only a reading tells.
    """
    counted = pl.col("state").is_in(STRAYS) | pl.col("limit_at_p50").is_not_null()
    touched = correction_state.filter(counted).join(since.corrections, on=["vehicle_id", "correction"], how="semi")
    answered = codes.filter(pl.col("fate").is_in(["worked_on", "cleared"])).join(
        since.work, on="vehicle_id", how="semi"
    )
    vehicles = pl.concat([touched.select("vehicle_id"), answered.select("vehicle_id")]).unique().sort("vehicle_id")
    return vehicles.with_columns(reading_asked=pl.lit(value=True))


def _open_faults(evidence: Evidence, codes: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id and open_faults, of vehicles of whose memory it is known what it holds."""
    known = pl.DataFrame({"vehicle_id": pl.Series(known_memories(evidence, codes), dtype=pl.String)})
    held = codes.filter(pl.col("fate").is_in(["stands", "worked_on"]))
    counts = held.group_by("vehicle_id").agg(open_faults=pl.col("code").n_unique())
    return known.join(counts, on="vehicle_id", how="left").with_columns(pl.col("open_faults").fill_null(0))


def _standing(codes: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, standing (list of codes that stand or were lost), standing_fate, standing_seen_at."""
    counts = codes.filter(pl.col("fate").is_in(["stands", "lost"]))
    return counts.group_by("vehicle_id", maintain_order=True).agg(
        standing=pl.col("code"), standing_fate=pl.col("fate").max(), standing_seen_at=pl.col("seen_at").max()
    )


def _last_read(readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, last_read_at, days_since_read and usual_gap (median days between readings), of what is not held."""
    day = 86400e6
    held = evidence.held.readings.filter("corrections")
    return (
        readings.join(held, on=["vehicle_id", "read_at"], how="anti")
        .group_by("vehicle_id")
        .agg(
            last_read_at=pl.col("read_at").max(),
            days_since_read=(pl.lit(evidence.as_of) - pl.col("read_at").max()).dt.total_microseconds() / day,
            usual_gap=pl.col("read_at").sort().diff().median().dt.total_microseconds() / day,
        )
    )


def _held(readings: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, held_readings, and newest_held: those with held corrections since the newest good reading."""
    last = _last_read(readings, evidence).select("vehicle_id", "last_read_at")
    since = pl.col("last_read_at").is_null() | (pl.col("read_at") > pl.col("last_read_at"))
    return (
        evidence.held.readings.join(last, on="vehicle_id", how="left")
        .group_by("vehicle_id")
        .agg(held_readings=pl.len(), newest_held=(pl.col("corrections") & since).sum())
    )


def _what_counts(speaking: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Of corrections that still say something: the soonest median limit date, and what strays with the least leeway.

    A limit that sets no code is never nearer than what can be planned: no fault follows from it.

    Columns: vehicle_id, days_to_limit, limit_at, limit_correction, strays, strays_leeway, strays_correction.
    """
    sides = evidence.corrections.select("code", pl.col("fault_low", "fault_high").fill_null(""))
    without_code = sides.filter(pl.col("fault_low") + pl.col("fault_high") == "")["code"].implode()
    days = (pl.col("limit_at_p50") - pl.lit(evidence.as_of)).dt.total_microseconds() / 86400e6
    planned = pl.max_horizontal(days, pl.lit(limits()["this_week"]["limit_within_days"] + 1.0))
    limit = (
        speaking.drop_nulls("limit_at_p50")
        .with_columns(days_to_limit=pl.when(pl.col("correction").is_in(without_code)).then(planned).otherwise(days))
        .sort("vehicle_id", "days_to_limit", "correction")
    )
    strays = (
        _judged(speaking)
        .filter(pl.col("state").is_in(STRAYS), pl.col("leeway").is_not_null())
        .sort("vehicle_id", "leeway", "rank", "correction")
        .unique("vehicle_id", keep="first", maintain_order=True)
        .select("vehicle_id", strays="state", strays_leeway="leeway", strays_correction="correction")
    )
    soonest = limit.unique("vehicle_id", keep="first", maintain_order=True).select(
        "vehicle_id",
        "days_to_limit",
        limit_at="limit_at_p50",
        limit_correction="correction",
    )
    return soonest.join(strays, on="vehicle_id", how="full", coalesce=True)


def _probabilities(fault_forecast: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, p7, p30, p90, likely_code."""
    return fault_forecast.group_by("vehicle_id").agg(
        *(
            pl.col("probability").filter(pl.col("horizon_days") == days).first().alias(f"p{days}")
            for days in (7, 30, 90)
        ),
        likely_code=pl.col("likely_code").sort_by("horizon_days").first(),
    )


def met_rules(
    cause_ranking: pl.DataFrame, states: pl.DataFrame, codes: pl.DataFrame, evidence: Evidence
) -> pl.DataFrame:
    """The most urgent rule that each vehicle meets, as `rules_met` gives it."""
    signed = signed_off(evidence)
    return rules_met(cause_ranking, states, codes, signed, dangers(evidence, signed))


def signed_off(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id and signed_off_at: up to when the newest signed-off check says that the vehicle may be driven.

    That is when it was entered, or the newest reading that was loaded by then (`seen_to`), which may be later by a
    clock that is ahead.
    """
    safe = evidence.entries.filter(pl.col("kind") == "safe", pl.col("value") == "signed_off")
    up_to = pl.max_horizontal("entered_at", pl.col("seen_to") + pl.duration(microseconds=1))
    return safe.drop_nulls("vehicle_id").group_by("vehicle_id").agg(signed_off_at=up_to.max())


def _criterion() -> pl.Expr:
    """The first criterion that a vehicle meets: struct of `urgency` and `why`, a word of `urgency_words`."""
    when = limits()
    week, plan, unknown = when["this_week"], when["plan"], when["unknown"]
    old = pl.col("days_since_read") > pl.max_horizontal(
        pl.lit(unknown["days"]), (unknown["usual_gaps"] * pl.col("usual_gap")).fill_null(0)
    )
    by_chance = ~pl.col("reading_asked")  # else the chance rests on a reading from before the work
    criteria = (
        ("off_road", "rule", pl.col("rule_urgency") == "off_road"),
        ("unknown", "never_read", pl.col("last_read_at").is_null()),
        ("unknown", "old", old),
        ("this_week", "rule", pl.col("rule_urgency") == "this_week"),
        ("this_week", "limit", pl.col("days_to_limit") <= week["limit_within_days"]),
        ("this_week", "chance_7", by_chance & (pl.col("p7") >= week["probability_7d"])),
        ("this_week", "chance_30", by_chance & (pl.col("p30") >= week["probability_30d"])),
        ("plan", "codes", pl.col("standing").list.len() >= plan["open_faults"]),
        ("plan", "worked_on", pl.col("reading_asked")),
        ("plan", "limit", pl.col("days_to_limit") <= plan["limit_within_days"]),
        ("plan", "chance_30", pl.col("p30") >= plan["probability_30d"]),
        ("plan", "chance_90", pl.col("p90") >= plan["probability_90d"]),
        ("plan", "strays", pl.col("strays").is_in(plan["states"]) & (pl.col("strays_leeway") <= plan["leeway_pct"])),
    )
    met = pl.coalesce(
        *(
            pl.when(condition.fill_null(value=False)).then(pl.lit(f"{urgency} {why}"))
            for urgency, why, condition in criteria
        ),
        pl.lit("none none"),
    )
    return met.str.split_exact(" ", 1).struct.rename_fields(["urgency", "why"])


@cache
def limits() -> dict[str, dict[str, Any]]:
    """Probabilities and days from which on a vehicle is due this week or to be planned."""
    return tomllib.loads(files("pipelines.workplan").joinpath("urgency_limits.toml").read_text(encoding="utf-8"))
