"""What must not be driven although no code says so: measured, complained of, or found by a check.

Evidence in, rows for the urgency out; limits in `dangers.toml`, words in `danger_words.csv`. Safety does not lapse:
what was measured holds until the next reading, what was said or found until the work on it and a reading after that,
or until a check is signed off.
"""

import re
import tomllib
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

from pipelines.causes.check_results import known_results
from pipelines.causes.knowledge import checks
from pipelines.handover import Evidence
from pipelines.history.fault_events import HANDS_ON

DANGERS = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "rule_urgency": pl.String(),
        "rule_reason": pl.String(),
        "seen_at": pl.Datetime("us", "UTC"),
        "rule_found": pl.String(),  # what was found, in words
        "fate": pl.String(),  # `stands`, or `worked_on` and not read since
        "fate_at": pl.Datetime("us", "UTC"),
    }
)
FOUND = pl.Schema({name: DANGERS[name] for name in ("vehicle_id", "seen_at", "rule_reason", "rule_found")})


@cache
def known() -> dict[str, Any]:
    """Limits, results of checks, words that deny: `dangers.toml`."""
    return tomllib.loads(files("pipelines.workplan").joinpath("dangers.toml").read_text(encoding="utf-8"))


@cache
def danger_words() -> pl.DataFrame:
    """danger, reason, said (what people write, joined by |): `danger_words.csv`."""
    return pl.read_csv(files("pipelines.workplan").joinpath("danger_words.csv").read_bytes())


def dangers(evidence: Evidence, signed_off: pl.DataFrame) -> pl.DataFrame:
    """What keeps vehicles off the road now, columns of DANGERS, sorted.

    Args:
        evidence: Snapshots, work, notes and entries.
        signed_off: vehicle_id and signed_off_at, the newest signed-off check.
    """
    measured = _measured(evidence).with_columns(fate=pl.lit("stands"), fate_at=pl.lit(None, DANGERS["fate_at"]))
    since = evidence.as_of - timedelta(days=known()["lasts"]["days"])
    told = pl.concat([_complained(evidence), _checked(evidence)]).filter(pl.col("seen_at") >= since)
    found = pl.concat([measured, _not_settled(told, evidence)])
    return (
        found.join(signed_off, on="vehicle_id", how="left")
        .filter((pl.col("signed_off_at") <= pl.col("seen_at")).fill_null(value=True))
        .with_columns(rule_urgency=pl.lit("off_road"))
        .select(DANGERS.names())
        .cast(DANGERS)
        .sort(DANGERS.names())
    )


def said_dangers(text: str | None) -> list[str]:
    """Reasons that a complaint in somebody's words gives, in the order of the file; empty: none."""
    words = (text or "").casefold()
    return [reason for pattern, reason in _patterns() if any(not _denied(words, m) for m in pattern.finditer(words))]


@cache
def _patterns() -> list[tuple[re.Pattern[str], str]]:
    rows = danger_words().select("said", "reason").iter_rows()
    return [
        (re.compile("|".join(rf"\b{re.escape(each.casefold())}\b" for each in said.split("|"))), reason)
        for said, reason in rows
    ]


def _denied(words: str, said: re.Match[str]) -> bool:
    """Whether one of the few words before it, in the same part of the sentence, denies it."""
    clause = re.split(r"[.,;:!?\n]", words[: said.start()])[-1]
    rules = known()["denied"]
    return any(word in rules["words"] for word in clause.split()[-rules["within"] :])


def _measured(evidence: Evidence) -> pl.DataFrame:
    """What the newest reading that has it says; columns of FOUND."""
    found = [pl.DataFrame(schema=FOUND)]
    for rule in known()["measured"]:
        column = rule["column"]
        read = evidence.snapshots.select("vehicle_id", "read_at", "ambient_c", value=pl.col(column)).drop_nulls("value")
        usual = pl.col("value").sort_by("read_at").slice(0, pl.len() - 1).median()
        in_unit = (pl.col("usual") < rule["usual_below"]).fill_null(value=True)
        newest = (
            read.sort("vehicle_id", "read_at")
            .group_by("vehicle_id", maintain_order=True)
            .agg(
                usual=usual,
                read_at=pl.col("read_at").last(),
                ambient_c=pl.col("ambient_c").last(),
                value=pl.col("value").last(),
            )
            .filter(pl.col("value").is_between(rule["low"], rule["high"]), in_unit)
        )
        if "warmer_than" in rule:
            warmer = pl.col("ambient_c") > rule["warmer_than"]
            newest = newest.filter(warmer.fill_null(pl.col("value") <= rule["surely"]))
        found.append(
            newest.select(
                "vehicle_id", seen_at="read_at", rule_reason=pl.lit(rule["reason"]),
                rule_found=pl.format("Coolant read {} °C", pl.col("value").round(0).cast(pl.Int64)),
            )
        )  # fmt: skip
    return pl.concat([frame.cast(FOUND) for frame in found])


def _complained(evidence: Evidence) -> pl.DataFrame:
    """Complaints and notes about a vehicle that name a danger; columns of FOUND."""
    notes = evidence.entries.filter(pl.col("kind") == "note").drop_nulls("vehicle_id")
    said = pl.concat(
        [
            evidence.work.select("vehicle_id", seen_at="done_at", text="complaint"),
            evidence.notes.select(vehicle_id="about", seen_at="at", text="text"),
            notes.select("vehicle_id", seen_at="entered_at", text="value"),
        ]
    ).drop_nulls("text")
    most = known()["lasts"]["characters"]
    rows = [
        (vehicle, at, reason, f"Complaint: “{' '.join(text.split())[:most]}”")
        for vehicle, at, text in said.iter_rows()
        for reason in said_dangers(text)
    ]
    return pl.DataFrame(rows, schema=FOUND, orient="row")


def _checked(evidence: Evidence) -> pl.DataFrame:
    """Newest results of checks that name a danger; columns of FOUND."""
    entered = evidence.entries.filter(pl.col("kind") == "check").drop_nulls("vehicle_id")
    at: dict[tuple[str, str], datetime] = {
        (vehicle, check): when
        for vehicle, check, when in entered.sort("entry_id").select("vehicle_id", "subject", "entered_at").iter_rows()
    }
    reasons = {(rule["check"], rule["result"]): rule["reason"] for rule in known()["checked"]}
    rows = [
        (vehicle, at[vehicle, check], reasons[check, result], f"Checked: {checks()[check].results[result]}")
        for vehicle, check, result in known_results(entered).iter_rows()
        if (check, result) in reasons
    ]
    return pl.DataFrame(rows, schema=FOUND, orient="row")


def _not_settled(found: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Those on which no work was done, or after whose work the vehicle was not read; with fate and fate_at.

    Work of the same day counts as work on it, and so does what was looked into with a cause on record.
    """
    looked_into = pl.col("kind").is_in(HANDS_ON) | pl.col("cause").is_not_null()
    work = evidence.work.filter(looked_into).select("vehicle_id", "done_at")
    read = evidence.snapshots.group_by("vehicle_id").agg(read_at=pl.col("read_at").max())
    mended = (
        found.join(work, on="vehicle_id")
        .filter(pl.col("done_at").dt.date() >= pl.col("seen_at").dt.date())
        .group_by(FOUND.names())
        .agg(fate_at=pl.col("done_at").min())
    )
    fate = pl.when(pl.col("fate_at").is_null()).then(pl.lit("stands")).otherwise(pl.lit("worked_on"))
    return (
        found.join(mended, on=FOUND.names(), how="left")
        .join(read, on="vehicle_id", how="left")
        .filter((pl.col("read_at") <= pl.col("fate_at")).fill_null(value=True))
        .select(*FOUND.names(), fate=fate, fate_at="fate_at")
    )
