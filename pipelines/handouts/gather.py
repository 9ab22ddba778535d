"""What the papers say: the newest plan with what is known of each visit; published frames in, plain data out."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import Cause, causes
from pipelines.causes.setting_back import relearning, set_back
from pipelines.figure_words import percent
from pipelines.handouts.chart import chart_of
from pipelines.handouts.claims import Claim, claims_of
from pipelines.handouts.supplier import suppliers_of
from pipelines.handover import Evidence
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.jobs import jobs

MOST_CAUSES = 3  # on a card
LIKELY = 0.05  # chance from which a cause is named on a card


@dataclass(frozen=True, kw_only=True)
class Papers:
    """The plan and all that its papers need.

    Attributes:
        as_of: Time of the analysis.
        plan: The contract's work_plan, by depot, day and bay.
        left_out: The contract's plan_left_out.
        parts: `depot, component, title, needed, on_hand, lead_days`, of work in own bays.
        cards: One record a visit, of texts, numbers and lists of them alone.
        claims: A pack a vehicle whose work is the dealer's, or was done of late under warranty.
        suppliers: One record a part that came back inside its warranty, likewise.
    """

    as_of: datetime
    plan: pl.DataFrame
    left_out: pl.DataFrame
    parts: pl.DataFrame
    cards: list[dict[str, Any]]
    claims: list[Claim] = field(default_factory=list)
    suppliers: list[dict[str, Any]] = field(default_factory=list)


def papers_of(published: Mapping[str, pl.DataFrame], evidence: Evidence, *, costs: CostAssumptions) -> Papers:
    """Everything that the papers of a plan say.

    Args:
        published: work_plan, plan_left_out, vehicle_state, correction_state, cause_ranking, fault_forecast, and
            fault_event, all of one as_of; for suppliers recurring_issue, repair_outcome and repair_survival.
        evidence: What was known then.
        costs: What the plan was priced with.
    """
    plan = published["work_plan"].select(published_tables()["work_plan"].schema.names())
    known = jobs(published, evidence=evidence, costs=costs)
    wanted = known.drop("depot").join(plan.select("vehicle_id", "depot"), on="vehicle_id")
    facts = {row["vehicle_id"]: row for row in wanted.iter_rows(named=True)}
    vehicles = {row["vehicle_id"]: row for row in evidence.vehicles.iter_rows(named=True)}
    cards = [
        _card(visit, facts.get(visit["vehicle_id"], {}), vehicles.get(visit["vehicle_id"], {}), published, evidence)
        for visit in plan.iter_rows(named=True)
    ]
    at_the_dealer = wanted.filter(pl.col("lane") == "dealer").select("vehicle_id", "what")
    return Papers(
        as_of=evidence.as_of,
        plan=plan,
        left_out=published["plan_left_out"],
        parts=_parts(wanted),
        cards=cards,
        claims=claims_of(dict(at_the_dealer.iter_rows()), published, evidence),
        suppliers=suppliers_of(
            published,
            vehicles=evidence.vehicles,
            names=dict(evidence.components.select("component", pl.coalesce("title", "component")).iter_rows()),
        ),
    )


def _parts(wanted: pl.DataFrame) -> pl.DataFrame:
    """Parts that the visits may need, by depot."""
    in_bays = wanted.filter(pl.col("asks") == "work", pl.col("lane") == "bay", pl.col("component").is_not_null())
    return (
        in_bays.group_by("depot", "component")
        .agg(
            title=pl.coalesce(pl.col("part").first(), pl.col("component").first()),
            needed=pl.len(),
            on_hand=pl.col("on_hand").first(),
            lead_days=pl.col("lead_days").first(),
        )
        .sort("depot", "component")
    )


def _card(
    visit: dict[str, Any],
    facts: Mapping[str, Any],
    vehicle: Mapping[str, Any],
    published: Mapping[str, pl.DataFrame],
    evidence: Evidence,
) -> dict[str, Any]:
    named = _named_causes(visit["vehicle_id"], published["cause_ranking"])
    first = causes().get(named[0]["cause"]) if named else None
    part = facts.get("part") or facts.get("component")
    about = (vehicle.get("engine_family"), vehicle.get("depot"), vehicle.get("vin"))
    return {
        "vehicle": visit["vehicle_id"],
        "about": " · ".join(str(each) for each in about if each),
        "depot": visit["depot"] or "",
        "day": f"{visit['day']:%A %d %B %Y}" if visit["day"] else "not placed yet",
        "date": visit["day"].isoformat() if visit["day"] else "",
        "start": f"{visit['start_at']:%H:%M} UTC" if visit["start_at"] else "",
        "bay": "" if visit["bay"] is None else str(visit["bay"]),
        "hours": round(visit["labour_hours"] or 0.0, 1),
        "jobs": visit["jobs"] or "",
        "reason": visit["reason"] or "",
        "causes": [{"title": each["title"], "evidence": each["evidence"]} for each in named],
        "checks": [f"{check.title}." for check in first.checks] if first else [],
        "cautions": [f"{caution.title}. {caution.text}" for caution in first.cautions] if first else [],
        **_after(first, named, vehicle, evidence),
        "part": str(part) if part and facts.get("asks") == "work" else "",
        "chart": chart_of(
            visit["vehicle_id"], facts.get("leading_correction"), published["correction_state"], evidence
        ),
    }


def _after(
    first: Cause | None, named: list[dict[str, Any]], vehicle: Mapping[str, Any], evidence: Evidence
) -> dict[str, Any]:
    """What is set back after the work on the likeliest cause, and the hours in each region until it is read again."""
    if first is None:
        return {"reset": "", "set_back": [], "relearning": []}
    mine = evidence.snapshots.filter(pl.col("vehicle_id") == vehicle.get("vehicle_id"))
    read = [code for code in evidence.corrections["code"] if code in mine.columns and mine[code].count()]
    rows = set_back(first, named[0]["bank"], evidence.corrections.filter(pl.col("code").is_in(read)))
    return {
        "reset": first.reset,
        "set_back": rows.select(pl.col("title").fill_null(pl.col("code")))["title"].to_list(),
        "relearning": [each.words() for each in relearning(rows)],
    }


def _named_causes(vehicle_id: str, cause_ranking: pl.DataFrame) -> list[dict[str, Any]]:
    """The likeliest causes with their place, chance and evidence in words."""
    rows = (
        cause_ranking.filter(
            pl.col("vehicle_id") == vehicle_id, pl.col("cause").is_in(list(causes())), pl.col("probability") >= LIKELY
        )
        .sort("rank")
        .head(MOST_CAUSES)
    )
    found = []
    for row in rows.iter_rows(named=True):
        place = "".join(f", {name} {row[name]}" for name in ("bank", "cylinder") if row[name] is not None)
        title = f"{causes()[row['cause']].title}{place}: {percent(row['probability'])}"
        found.append({"cause": row["cause"], "bank": row["bank"], "title": title, "evidence": row["evidence"] or ""})
    return found
