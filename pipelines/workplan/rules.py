"""Codes and causes that by themselves make a vehicle urgent: `urgency_rules.csv`, with the reason in words."""

from functools import cache
from importlib.resources import files

import polars as pl

from pipelines.handover import Evidence
from pipelines.history.fault_events import stands

URGENCIES = ("off_road", "this_week")


@cache
def rules() -> pl.DataFrame:
    """urgency, code (several joined by |), cause, needs (conditions joined by |), min_probability, reason.

    A rule has codes or a cause. A code must stand; `present` and `lamp_on` ask for that flag too (present where a drop
    has none). A cause must have the probability, and the vehicle the state `drifting` or worse, or `outside`.
    """
    text = ("cause", "code", "needs")
    return pl.read_csv(
        files("pipelines.workplan").joinpath("urgency_rules.csv").read_bytes(),
        schema_overrides={"min_probability": pl.Float64, **dict.fromkeys(text, pl.String)},
    )


def rules_met(cause_ranking: pl.DataFrame, states: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """vehicle_id, rule_urgency (of the most urgent rule that it meets) and rule_reason (in words).

    Args:
        cause_ranking: The contract's table.
        states: vehicle_id and state of every vehicle.
        evidence: Its faults and snapshots.
    """
    columns = ["vehicle_id", "urgency", "reason"]
    met = pl.concat([_by_code(evidence).select(columns), _by_cause(cause_ranking, states).select(columns)])
    rank = pl.col("urgency").replace_strict(URGENCIES, range(len(URGENCIES)), return_dtype=pl.Int8)
    return (
        met.sort("vehicle_id", rank, "reason")
        .group_by("vehicle_id", maintain_order=True)
        .agg(rule_urgency=pl.col("urgency").first(), rule_reason=pl.col("reason").first())
    )


def _by_code(evidence: Evidence) -> pl.DataFrame:
    by_code = rules().with_columns(pl.col("code").str.split("|")).explode("code").drop_nulls("code")
    plain = standing_codes(evidence).with_columns(pl.col("code").str.head(5))  # without the failure type
    return plain.join(by_code, on="code").filter(_needed("present", unknown=True) & _needed("lamp_on", unknown=False))


def _needed(condition: str, *, unknown: bool) -> pl.Expr:
    """The rule does not ask for this condition, or it is met; a flag that is empty counts as `unknown`."""
    asked = pl.col("needs").fill_null("").str.split("|").list.contains(condition)
    return ~asked | pl.col(condition).fill_null(value=unknown)


def _by_cause(cause_ranking: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    enough = {"drifting": ["drifting", "outside"], "outside": ["outside"]}
    meets = pl.any_horizontal(
        *((pl.col("needs") == asked) & pl.col("state").is_in(given) for asked, given in enough.items())
    )
    return (
        cause_ranking.join(rules().drop_nulls("cause"), on="cause")
        .filter(pl.col("probability") >= pl.col("min_probability"))
        .join(states.select("vehicle_id", "state"), on="vehicle_id")
        .filter(meets)
    )


def newest_memory_readings(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id and read_at of the newest reading of each vehicle's fault memory."""
    key = ["vehicle_id", "read_at"]
    read = pl.concat([evidence.snapshots.filter("faults_read").select(key), evidence.faults.select(key)])
    return read.group_by("vehicle_id").agg(pl.col("read_at").max())


def standing_codes(evidence: Evidence) -> pl.DataFrame:
    """Codes that stand at the newest reading of the memory: vehicle_id, code, present, lamp_on."""
    lamp = evidence.snapshots.select("vehicle_id", "read_at", "lamp_on")
    return (
        evidence.faults.filter(stands())
        .join(newest_memory_readings(evidence), on=["vehicle_id", "read_at"])
        .join(lamp, on=["vehicle_id", "read_at"], how="left")
        .select("vehicle_id", "code", "present", "lamp_on")
    )
