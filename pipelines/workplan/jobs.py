"""Which vehicles are worth a visit, what is to be done, and what it costs now against waiting. No calendar here."""

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from pipelines.causes.knowledge import causes
from pipelines.handover import Evidence
from pipelines.history.fault_events import SCHEMA as FAULT_EVENTS
from pipelines.history.fault_memory import remembered_codes
from pipelines.history.since_reading import since_reading
from pipelines.in_service import in_service
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.urgency import met_rules, reading_asked
from pipelines.workplan.waiting import pays_from

WORTH_A_LOOK = ("off_road", "this_week", "plan", "unknown")
STATE_COLUMNS = (
    "vehicle_id", "urgency", "urgency_reason", "state", "leading_correction", "last_read_at", "worked_on_at",
)  # fmt: skip


def jobs(published: Mapping[str, pl.DataFrame], *, evidence: Evidence, costs: CostAssumptions) -> pl.DataFrame:
    """One row per vehicle that has work to consider, sorted by vehicle.

    Args:
        published: vehicle_state, fault_forecast, cause_ranking and correction_state at as_of.
        evidence: Its vehicles, catalogue and components.
        costs: What labour and standing still cost where the fleet says nothing.

    Returns:
        vehicle_id, depot, urgency, asks (`work`, or `reading` where that is what is missing), urgency_reason,
        component, standing_codes (text), what (text), state, correction_title (of the leading one), cause_title, place
        (text), chance (of that cause), labour_hours, p7, p30, p90, cost_now (labour and standing still; the part, or
        the risk that stays, by the chance that the cause is found), cost_of_fault (the same work unplanned, with the
        breakdown), cost_if_waiting (expected over 90 days), standing (cost of a day), on_hand, lead_days, lane (`bay`,
        or `dealer` for work under warranty, which costs the fleet nothing), pays_from (the day from which a visit costs
        less than 90 days of waiting; null: no such day is foreseen).
    """
    states = published["vehicle_state"].filter(pl.col("urgency").is_in(WORTH_A_LOOK))
    since = since_reading(evidence)
    codes = remembered_codes(evidence, published.get("fault_event", pl.DataFrame(schema=FAULT_EVENTS)), since)
    needed = (
        in_service(evidence.vehicles, evidence.as_of)
        .select("vehicle_id", "depot", "downtime_cost_per_day")
        .join(states.select(*STATE_COLUMNS), on="vehicle_id")
        .join(_leading_cause(published["cause_ranking"]), on="vehicle_id", how="left")
        .join(_corrections(evidence), on="leading_correction", how="left")
        .join(_forecast(published["fault_forecast"]), on="vehicle_id", how="left")
        .join(_limit_foreseen(published["correction_state"], evidence.as_of, costs), on="vehicle_id", how="left")
        .join(_standing(codes), on="vehicle_id", how="left")
        .join(met_rules(published["cause_ranking"], states, codes, evidence), on="vehicle_id", how="left")
        .join(reading_asked(published["correction_state"], codes, since), on="vehicle_id", how="left")
        .with_columns(
            pl.col("p7", "p30", "p90").fill_null(0.0),
            asks=_asks(),
            component=pl.coalesce("cause_component", "correction_component"),
        )
        .with_columns(component=pl.when(pl.col("asks") == "work").then("component"))
        .join(evidence.components.rename({"title": "part"}), on="component", how="left")
        .join(under_warranty(evidence), on="vehicle_id", how="left")
    )
    priced = _at_the_dealer(_priced(needed, costs)).sort("vehicle_id")
    limits = _limits_of(published["correction_state"])
    pays = [pays_from(row, limits.get(row["vehicle_id"]), evidence.as_of) for row in priced.iter_rows(named=True)]
    return priced.with_columns(pays_from=pl.Series(pays, dtype=pl.Date))


def under_warranty(evidence: Evidence) -> pl.DataFrame:
    """vehicle_id and warranty (bool): within the date and the kilometres that the fleet names."""
    km = (
        evidence.snapshots.drop_nulls("odometer_km")
        .sort("vehicle_id", "read_at")
        .group_by("vehicle_id")
        .agg(km=pl.col("odometer_km").last())
    )
    until, most = pl.col("warranty_until"), pl.col("warranty_km")
    in_time = (until >= evidence.as_of.date()).fill_null(value=True)
    in_distance = (pl.col("km") < most).fill_null(value=True)
    named = until.is_not_null() | most.is_not_null()
    return evidence.vehicles.join(km, on="vehicle_id", how="left").select(
        "vehicle_id", warranty=named & in_time & in_distance
    )


def _at_the_dealer(priced: pl.DataFrame) -> pl.DataFrame:
    """The jobs with their lane; under warranty work is the dealer's, takes no own hours and costs the fleet nothing."""
    dealer = pl.col("warranty").fill_null(value=False) & (pl.col("asks") == "work")
    return priced.with_columns(
        lane=pl.when(dealer).then(pl.lit("dealer")).otherwise(pl.lit("bay")),
        cost_now=pl.when(dealer).then(0.0).otherwise("cost_now"),
        labour_hours=pl.when(dealer).then(0.0).otherwise("labour_hours"),
        what=pl.when(dealer).then(pl.format("Dealer, under warranty: {}", "what")).otherwise("what"),
    )


def _limits_of(correction_state: pl.DataFrame) -> dict[str, tuple[datetime, datetime, datetime | None]]:
    """By vehicle: the days by which its soonest limit is met with 10, 50 and 90 in a hundred (None: not foreseen)."""
    soonest = correction_state.drop_nulls("limit_at_p50").sort("vehicle_id", "limit_at_p50", "correction")
    rows = soonest.unique("vehicle_id", keep="first", maintain_order=True).select(
        "vehicle_id", pl.col("limit_at_p10").fill_null(pl.col("limit_at_p50")), "limit_at_p50", "limit_at_p90"
    )
    return {vehicle: (p10, p50, p90) for vehicle, p10, p50, p90 in rows.iter_rows()}


def _asks() -> pl.Expr:
    """`reading` where the newest reading is too old, or from before the work that would be asked for again."""
    worked = pl.col("fate").is_in(["worked_on", "cleared"])
    after_work = (
        pl.when(pl.col("urgency") == "off_road")
        .then(worked)
        .otherwise((pl.col("urgency") == "plan") & pl.col("reading_asked") & pl.col("standing_codes").is_null())
    )
    missing = (pl.col("urgency") == "unknown") | after_work.fill_null(value=False)
    return pl.when(missing).then(pl.lit("reading")).otherwise(pl.lit("work"))


def _standing(codes: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id and standing_codes: the codes that stand or were lost with the power, as text."""
    standing = codes.filter(pl.col("fate").is_in(["stands", "lost"]))
    return standing.group_by("vehicle_id", maintain_order=True).agg(standing_codes=pl.col("code").str.join(", "))


def _leading_cause(cause_ranking: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id and none (chance of none of these); where a cause leads also its title, component, chance, place."""
    known = causes()
    titles = pl.DataFrame(
        {
            "cause": list(known),
            "cause_title": [cause.title for cause in known.values()],
            "cause_component": [cause.components[0] for cause in known.values()],
        }
    )
    none = cause_ranking.filter(pl.col("cause") == "none_of_these").select("vehicle_id", none="probability")
    place = pl.concat_str(pl.format(", bank {}", "bank"), pl.format(", cylinder {}", "cylinder"), ignore_nulls=True)
    leading = (
        cause_ranking.sort("vehicle_id", "rank", "cause")
        .unique("vehicle_id", keep="first", maintain_order=True)
        .join(titles, on="cause")
        .select("vehicle_id", "cause_title", "cause_component", chance="probability", place=place)
    )
    return none.join(leading, on="vehicle_id", how="full", coalesce=True)


def _corrections(evidence: Evidence) -> pl.DataFrame:
    return evidence.corrections.select(
        leading_correction="code",
        correction_title=pl.col("title").fill_null(pl.col("code")),
        correction_component=pl.col("component").str.split("|").list.first(),
    )


def _forecast(fault_forecast: pl.DataFrame) -> pl.DataFrame:
    return fault_forecast.group_by("vehicle_id").agg(
        *(
            pl.col("probability").filter(pl.col("horizon_days") == days).first().alias(f"p{days}")
            for days in (7, 30, 90)
        ),
        likely_code=pl.col("likely_code").sort_by("horizon_days").last(),
    )


def _limit_foreseen(correction_state: pl.DataFrame, as_of: datetime, costs: CostAssumptions) -> pl.DataFrame:
    """vehicle_id and foreseen: a correction is expected to meet its limit soon enough that the work is to come."""
    until = pl.lit(as_of + timedelta(days=costs.foresight_days))
    return correction_state.group_by("vehicle_id").agg(foreseen=(pl.col("limit_at_p50") <= until).any())


def _priced(needed: pl.DataFrame, costs: CostAssumptions) -> pl.DataFrame:
    """The jobs with what they cost now and what waiting is expected to cost over the forecast's 90 days."""
    standing = pl.col("downtime_cost_per_day").fill_null(costs.downtime_per_day)
    reading = pl.col("asks") == "reading"
    labour = pl.when(reading).then(costs.reading_hours).otherwise(pl.col("labour_hours").fill_null(costs.labour_hours))
    part = pl.when(reading).then(0.0).otherwise(pl.col("part_cost").fill_null(costs.part))
    breakdown = pl.col("strand_share").fill_null(costs.strand_share) * pl.col("breakdown_cost").fill_null(
        costs.breakdown
    )
    visit = labour * (costs.labour_per_hour + standing / costs.working_day_hours)
    unplanned = labour * costs.labour_per_hour + part + standing * costs.unplanned_days + breakdown
    # A code that stands is a fault that has happened: the visit it forces is certain.
    fault = pl.when(pl.col("standing_codes").is_not_null()).then(1.0).otherwise(pl.col("p90"))
    # The visit finds the trouble, and the part is bought, if the leading cause is the true one; else the risk stays.
    found = pl.col("chance").fill_null(costs.chance_without_cause)
    now = visit + found * part + (1 - found) * fault * unplanned
    # Without a fault in 90 days the same work is still to come where a limit is foreseen and the trouble is real.
    still = pl.when(pl.col("foreseen")).then(1 - pl.col("none").fill_null(1.0)).otherwise(0.0)
    # A vehicle off the road stands until it is repaired.
    stands = pl.when(pl.col("urgency") == "off_road").then(standing * costs.off_road_days).otherwise(0.0)
    return needed.with_columns(
        labour_hours=labour,
        cost_now=now,
        cost_of_fault=unplanned,
        visit_cost=visit,
        part_price=part,
        found=found,
        still_to_come=still.fill_null(0.0),
        cost_if_waiting=fault * unplanned + (1 - fault) * still.fill_null(0.0) * (visit + part) + stands,
        standing=standing,
        on_hand=pl.col("on_hand").fill_null(0),
        lead_days=pl.col("lead_days").fill_null(0.0),
        what=pl.when(reading)
        .then(pl.lit("Read it"))
        .otherwise(pl.format("Inspect: {}", pl.coalesce("part", "component", "correction_title", pl.lit("engine")))),
    )
