"""Codes and causes that by themselves make a vehicle urgent: `urgency_rules.csv`, with the reason in words."""

from functools import cache
from importlib.resources import files

import polars as pl

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


def rules_met(
    cause_ranking: pl.DataFrame,
    states: pl.DataFrame,
    codes: pl.DataFrame,
    signed_off: pl.DataFrame,
    found: pl.DataFrame,
) -> pl.DataFrame:
    """The most urgent rule that each vehicle meets, and what met it; sorted by vehicle.

    Safety does not lapse: what took a vehicle off the road does so until a reading shows it gone or a check was signed
    off after it was seen, whatever was repaired, cleared or lost since. A rule of this week is met by codes that stand
    or were lost with the power.

    Args:
        cause_ranking: The contract's table.
        states: vehicle_id and state of every vehicle.
        codes: As `remembered_codes` gives them.
        signed_off: vehicle_id and signed_off_at, the newest signed-off check.
        found: What was measured, complained of or checked, as `dangers` gives it.

    Returns:
        vehicle_id, rule_urgency, rule_reason (in words), rule_code, seen_at, fate and fate_at (of that code),
        rule_cause and rule_chance (where a cause met it), rule_found (what met it where neither did, in words).
    """
    rank = pl.col("rule_urgency").replace_strict(URGENCIES, range(len(URGENCIES)), return_dtype=pl.Int8)
    met = pl.concat([_by_code(codes, signed_off), _by_cause(cause_ranking, states), found], how="diagonal_relaxed")
    return met.sort("vehicle_id", rank, "rule_code", "rule_reason", "seen_at", nulls_last=True).unique(
        "vehicle_id", keep="first", maintain_order=True
    )


def _by_code(codes: pl.DataFrame, signed_off: pl.DataFrame) -> pl.DataFrame:
    by_code = rules().with_columns(pl.col("code").str.split("|")).explode("code").drop_nulls("code")
    off_road = pl.col("urgency") == "off_road"
    safe_since = (pl.col("signed_off_at") > pl.col("seen_at")).fill_null(value=False)
    return (
        codes.with_columns(code=pl.col("code").str.head(5))  # without the failure type
        .join(by_code, on="code")
        .join(signed_off, on="vehicle_id", how="left")
        .filter(_needed("present", unknown=True) & _needed("lamp_on", unknown=False))
        .filter(pl.when(off_road).then(~safe_since).otherwise(pl.col("fate").is_in(["stands", "lost"])))
        .select(
            "vehicle_id", "seen_at", "fate", "fate_at",
            rule_urgency="urgency", rule_reason="reason", rule_code="code",
        )
    )  # fmt: skip


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
        .select(
            "vehicle_id", rule_urgency="urgency", rule_reason="reason", rule_cause="cause", rule_chance="probability",
            rule_code=pl.lit(None, pl.String),
        )
    )  # fmt: skip
