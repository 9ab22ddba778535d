"""A simulated year in which the simulator's own repairs answer each policy; what each spares, with intervals.

Run: python tests/benchmarks/plan_year.py --folder DIR [--seeds 1 2 3] [--vehicles 150]
A seed takes about four minutes of processor time; each policy is kept in the folder, and printed is what it holds.

Every policy lives the same year with the same luck: the vehicles, their defects and all that is drawn before a visit
are one and the same, so that differences are paired by vehicle. The fleet has a year of history under the demo's own
workshop, is clean (no dirt) and has no warranty; then nobody comes unless a lamp or the policy sends him, and the
policy decides every four weeks:

run to fault      nobody comes without a lamp.
fixed mileage     a visit that looks at everything, every so many km; of MILEAGES the one that cost least in hindsight.
greedy            Leeway's forecasts, causes and prices; what saves most comes first, on the first day with hours free.
Leeway            the plan of `plan_work`, visits of the next four weeks as planned.
perfect knowledge each defect is mended, by the very part, on the day on which its code would set, and on the last
                  day of the year those that would set one in the half year after.

Half a year follows in which nobody decides any more, and its cost counts too: what was mended early in the year spares
a fault after it, and what was left waits there.

A visit asked for a component finds what ails of it as the scenario says (`asked_finds`); one that found nothing is
entered as dismissed for eight weeks. A forecast's model is learned at the beginning and in the middle of the year and
applied in between. Costs are those of `CostAssumptions` and the scenario's components, of what was really done.
"""

import argparse
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from plan_year_table import GREEDY, LEEWAY, MILEAGE, PERFECT, RUN_TO_FAULT, report

from pipelines.bands.panel import panels
from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables
from pipelines.causes.knowledge import causes
from pipelines.causes.ranking import learn_causes, rank_causes
from pipelines.drift.stage import straying
from pipelines.forecast.hazard import forecast_by_stored_model, forecast_faults
from pipelines.forecast.stored import StoredModelError
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.outliers.stage import unlike_peers
from pipelines.settings import Settings
from pipelines.workplan.costs import CostAssumptions
from pipelines.workplan.jobs import jobs
from pipelines.workplan.plan import plan_work
from pipelines.workplan.urgency import vehicle_states
from synthetic_fleet.ongoing import OngoingFleet, begin_fleet
from synthetic_fleet.scenario import read_scenario

HISTORY_WEEKS, YEAR_WEEKS, AFTER_WEEKS, EVERY_DAYS = 52, 52, 26, 28
MILEAGES = (10_000, 20_000, 40_000, 80_000, 160_000)  # km between two visits
LEARN_AT = (0, 6)  # decisions at which the forecast's model is learned
LEFT_ALONE_DAYS = 56  # after a visit that found nothing
LIKELY = 0.05  # chance from which a cause is on the job card, and so looked for
MOST_CAUSES = 3
CLEAN = {"dirt": {"enabled": False}}
COSTS = CostAssumptions()


def main() -> None:
    """Lives the seeds that the folder lacks, and prints the table of all that it holds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--seeds", type=int, nargs="*", default=[1])
    parser.add_argument("--vehicles", type=int, default=150)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for seed in asked.seeds:
        year(seed, asked.vehicles, asked.folder)
    lived = [pl.read_parquet(path) for path in sorted(asked.folder.glob("year-*.parquet"))]
    report(pl.concat(lived), mileages=len(MILEAGES))


def year(seed: int, vehicles: int, folder: Path) -> None:
    """What every policy came to, by vehicle, a file a policy; what stands in the folder is not lived again."""
    weeks = HISTORY_WEEKS + YEAR_WEEKS + AFTER_WEEKS
    fleet = begin_fleet(read_scenario(changes=CLEAN), vehicles=vehicles, weeks=weeks, seed=seed)
    fleet.go_on(7 * HISTORY_WEEKS)
    fleet.without_planned_visits()
    policies: dict[str, Callable[[OngoingFleet], None]] = {
        RUN_TO_FAULT: lambda _: None,
        **{f"{MILEAGE} {km}": ByMileage(km, seed) for km in MILEAGES},
        PERFECT: perfectly,
        LEEWAY: Forecasting(by_plan),
        GREEDY: Forecasting(greedy),
    }
    for name, decide in policies.items():
        kept = folder / f"year-{vehicles}-{seed}-{name.replace(' ', '-')}.parquet"
        if kept.exists():
            continue
        mine = fleet.copied()
        decisions = 7 * YEAR_WEEKS // EVERY_DAYS
        for decision in range(decisions):
            decide(mine)
            if name == PERFECT and decision == decisions - 1:
                before_the_end(mine)
            mine.go_on(EVERY_DAYS)
        mine.go_on(7 * AFTER_WEEKS)
        told = came_to(mine, datetime.combine(fleet.today, time(0), UTC), getattr(decide, "read", []))
        told.with_columns(policy=pl.lit(name), seed=pl.lit(seed)).write_parquet(kept)
        print(f"  seed {seed}, {name}: {told['cost'].mean():.0f} a vehicle, {told['breakdowns'].sum():.0f} breakdowns")


class ByMileage:
    """Visits every so many km, begun at a mileage drawn for each vehicle."""

    def __init__(self, km: float, seed: int) -> None:
        self.km, self.last, self.seed = km, np.array([]), seed

    def __call__(self, fleet: OngoingFleet) -> None:
        """Order the visits of the next weeks."""
        state = fleet.life.lived.fleet.vehicles
        if not self.last.size:
            self.last = state.km - self.km * np.random.default_rng(self.seed).random(len(state.km))
        a_day = state.use * state.kmh
        for row in np.flatnonzero(state.km + EVERY_DAYS * a_day - self.last >= self.km):
            ahead = int(np.clip((self.last[row] + self.km - state.km[row]) / a_day[row], 0, EVERY_DAYS - 1))
            fleet.order(fleet.life.lived.vehicles[row].ident, fleet.today + timedelta(days=ahead))
            self.last[row] += self.km


def perfectly(fleet: OngoingFleet) -> None:
    """Order what mends each defect on the day on which its code would set; what follows a repair is looked at again."""
    begin = datetime.combine(fleet.today, time(0), UTC)
    done: set[tuple[str, date]] = set()
    for _ in range(4):
        ahead = fleet.copied()
        ahead.go_on(EVERY_DAYS)
        known = ahead.faults(begin).filter(~pl.col("sudden"), pl.col("cause") != "none")
        new = {(row["vehicle_id"], row["on"]): row["component"] for row in known.iter_rows(named=True)}
        for (vehicle, on), component in new.items():
            if (vehicle, on) not in done:
                fleet.order(vehicle, on, (component,), certain=True)
        if not set(new) - done:
            return
        done |= set(new)


def before_the_end(fleet: OngoingFleet) -> None:
    """On the last day of decisions, mend what ails by then and would set a code in the half year after."""
    ahead, last = fleet.copied(), fleet.today + timedelta(days=EVERY_DAYS - 1)
    ahead.go_on(EVERY_DAYS - 1)
    ailing = ahead.ailing()
    ahead.go_on(1 + 7 * AFTER_WEEKS)
    later = ahead.faults(datetime.combine(last, time(0), UTC)).filter(~pl.col("sudden"))
    for vehicle, component in later.select("vehicle_id", "component").unique().sort("vehicle_id").iter_rows():
        if component in ailing[vehicle]:
            fleet.order(vehicle, last, (component,), certain=True)


@dataclass(frozen=True, kw_only=True)
class Known:
    """What an analysis and people know on a decision's day, when the next one is four weeks away."""

    published: dict[str, pl.DataFrame]
    evidence: Evidence
    left_alone: dict[str, date]  # by vehicle: until when, since a visit found nothing


Orders = Iterable[tuple[str, date, str]]  # vehicle, day, and whether work is asked for or a reading


@dataclass
class Forecasting:
    """A policy on Leeway's own tables: `choose` gives vehicles and days, the job card the components looked at."""

    choose: Callable[[Known], Orders]
    decisions: int = 0
    model: pl.DataFrame | None = None
    plan: pl.DataFrame | None = None
    sent: dict[str, date] = field(default_factory=dict)
    read: list[str] = field(default_factory=list)  # vehicles called in to be read, which the weekly round does here

    def __call__(self, fleet: OngoingFleet) -> None:
        """Analyse, choose, order."""
        evidence = evidence_of(fleet)
        left_alone = self._left_alone(evidence)
        entries = [
            {
                "entry_id": f"{n:06d}", "entered_at": evidence.as_of, "who": "manager", "kind": "visit",
                "vehicle_id": vehicle, "value": "dismiss", "until": until, "detail": '{"text": "nothing found"}',
            }
            for n, (vehicle, until) in enumerate(sorted(left_alone.items()))
        ]  # fmt: skip
        schema = evidence.entries.schema
        evidence = replace(evidence, entries=pl.DataFrame(entries, schema=schema) if entries else evidence.entries)
        published = self._published(evidence)
        known = Known(published=published, evidence=evidence, left_alone=left_alone)
        wanted = components_of(published)
        for vehicle, on, asks in self.choose(known):
            if not fleet.today <= on < fleet.today + timedelta(days=EVERY_DAYS):
                continue
            if asks == "reading":
                self.read.append(vehicle)
            else:
                fleet.order(vehicle, on, wanted.get(vehicle, ()))
                self.sent[vehicle] = on
        self.decisions += 1

    def _left_alone(self, evidence: Evidence) -> dict[str, date]:
        """Vehicles sent since and mended of nothing on that day, until when."""
        mended = evidence.work.filter(~pl.col("kind").is_in(["inspection", "breakdown", "power_loss"]))
        found = set(mended.select("vehicle_id", pl.col("done_at").dt.date()).iter_rows())
        until = {
            vehicle: on + timedelta(days=LEFT_ALONE_DAYS)
            for vehicle, on in self.sent.items()
            if (vehicle, on) not in found
        }
        return {vehicle: day for vehicle, day in until.items() if day > evidence.as_of.date()}

    def _published(self, evidence: Evidence) -> dict[str, pl.DataFrame]:
        """The tables that a plan is made of, as `analyse` makes them."""
        settings = Settings()
        history = reconstruct(evidence)
        drift = straying(panels(evidence, history), evidence=evidence, history=history, settings=settings)
        outliers = unlike_peers(drift, evidence=evidence, settings=settings)
        taught = learn_causes(drift, evidence)
        ranking = rank_causes(drift, evidence=evidence, history=history, taught=taught)
        forecast = None
        if self.model is not None and self.decisions not in LEARN_AT:
            try:
                forecast = forecast_by_stored_model(self.model, drift, outliers, evidence=evidence, history=history)
            except StoredModelError:  # too few faults were known then: learn now
                forecast = None
        if forecast is None:
            forecast = forecast_faults(drift, outliers, evidence=evidence, history=history, settings=settings)
        self.model = forecast.model
        states = vehicle_states(
            drift.correction_state, outliers.scores, ranking, forecast.fault_forecast, evidence=evidence,
            history=history,
        )  # fmt: skip
        return {
            "correction_state": drift.correction_state, "vehicle_state": states, "cause_ranking": ranking,
            "fault_forecast": forecast.fault_forecast, "fault_event": history.fault_events,
        }  # fmt: skip


def by_plan(known: Known) -> Orders:
    """The visits of Leeway's plan."""
    plan = plan_work(known.published, evidence=known.evidence, days=EVERY_DAYS, settings=Settings()).work_plan
    asks = jobs(known.published, evidence=known.evidence, costs=COSTS).select("vehicle_id", "asks")
    return plan.drop_nulls("day").join(asks, on="vehicle_id").select("vehicle_id", "day", "asks").iter_rows()


def greedy(known: Known) -> Orders:
    """By Leeway's prices and chances what saves most first, each on the first working day with hours free."""
    today = known.evidence.as_of.date()
    some = jobs(known.published, evidence=known.evidence, costs=COSTS)
    gains = some.with_columns(saving=pl.col("cost_if_waiting") - pl.col("cost_now")).filter(pl.col("saving") > 0)
    bays = {row["depot"]: row["bays"] * row["hours_per_day"] for row in known.evidence.bays.iter_rows(named=True)}
    used: dict[tuple[str, date], float] = {}
    for row in gains.sort("saving", "vehicle_id", descending=[True, False]).iter_rows(named=True):
        if row["vehicle_id"] in known.left_alone:
            continue
        for ahead in range(1, EVERY_DAYS):
            slot = (row["depot"], today + timedelta(days=ahead))
            hours = used.get(slot, 0.0) + row["labour_hours"]
            if slot[1].weekday() < 5 and hours <= bays[row["depot"]]:
                used[slot] = hours
                yield row["vehicle_id"], slot[1], row["asks"]
                break


def components_of(published: dict[str, pl.DataFrame]) -> dict[str, tuple[str, ...]]:
    """By vehicle: the components of the causes on its job card."""
    named = published["cause_ranking"].filter(
        pl.col("cause").is_in(list(causes())), pl.col("probability") >= LIKELY, pl.col("rank") <= MOST_CAUSES
    )
    found: dict[str, tuple[str, ...]] = {}
    for vehicle, cause in named.sort("vehicle_id", "rank").select("vehicle_id", "cause").iter_rows():
        found[vehicle] = (*found.get(vehicle, ()), *causes()[cause].components)
    return found


def evidence_of(fleet: OngoingFleet) -> Evidence:
    """What the fleet has handed over by the morning of its next day; no warranty."""
    as_of = datetime.combine(fleet.today, time(0), UTC)
    drops = fleet.drops()
    tables = {}
    for name, table in drop_tables().items():
        came = drops.get(name, pl.DataFrame(schema=table.schema))
        columns = [pl.col(n) if n in came.columns else pl.lit(None, t).alias(n) for n, t in table.schema.items()]
        codes = [code for code in came.columns if code not in table.schema] if name == "snapshots" else []
        tables[name] = came.select(*columns, *codes).cast(dict(table.schema)).sort(table.key)
    del tables["readings"]
    then = tables["vehicles"].filter(pl.col("retired_on").is_null() | (pl.col("retired_on") <= as_of.date()))
    none = {"warranty_until": pl.lit(None, pl.Date), "warranty_km": pl.lit(None, pl.Float64)}
    last = then.sort("vehicle_id", "retired_on", nulls_last=False).unique("vehicle_id", keep="last").sort("vehicle_id")
    serving = last.filter(pl.col("in_service_on").is_null() | (pl.col("in_service_on") <= as_of.date()))
    released = tables["calibrations"].filter(pl.col("released_on") <= as_of.date())
    return Evidence(
        as_of=as_of,
        **{
            **tables, "corrections": built_in_corrections(), "vehicles": serving.with_columns(**none),
            "calibrations": released,
        },
    )  # fmt: skip


def came_to(fleet: OngoingFleet, since: datetime, read: list[str]) -> pl.DataFrame:
    """By vehicle, of the time since: faults, breakdowns, visits (planned, and in vain), hours, cost.

    Args:
        fleet: At its end.
        since: When policies parted.
        read: Vehicles that were called in to be read, as often as they were.
    """
    drops = fleet.drops()
    work = drops["work"].filter(pl.col("done_at") >= since, ~pl.col("kind").is_in(["power_loss", "programming"]))
    work = work.filter(pl.col("kind") != "module_replacement")
    parts = drops["components"].select("component", "part_cost", "breakdown_cost")
    faults = fleet.faults(since)
    stranded = work.filter(pl.col("kind") == "breakdown").with_columns(
        on=pl.col("done_at").dt.date() - pl.duration(days=1)
    )
    behind = faults.unique(["vehicle_id", "on"], keep="first", maintain_order=True).select(
        "vehicle_id", "on", failed="component"
    )
    towed = stranded.join(behind, on=["vehicle_id", "on"]).join(parts, left_on="failed", right_on="component")
    downtime = drops["vehicles"].select("vehicle_id", "downtime_cost_per_day").unique("vehicle_id")
    lamp = (pl.col("complaint") == "warning lamp") | pl.col("cause").eq_missing("no_fault_found")
    done = (
        work.filter(pl.col("kind") != "breakdown")
        .join(parts, on="component", how="left")
        .join(downtime, on="vehicle_id")
        .with_columns(planned=~lamp.fill_null(value=False))
        .with_columns(
            spent=pl.col("labour_hours") * COSTS.labour_per_hour
            + pl.when(pl.col("kind") == "replacement").then(pl.col("part_cost").fill_null(COSTS.part)).otherwise(0.0)
            + pl.col("downtime_cost_per_day")
            * pl.when("planned").then(pl.col("labour_hours") / COSTS.working_day_hours).otherwise(COSTS.unplanned_days)
        )
    )
    of_work = done.group_by("vehicle_id").agg(
        cost=pl.col("spent").sum(), hours=pl.col("labour_hours").sum(), planned=pl.col("planned").sum(),
        in_vain=(pl.col("planned") & (pl.col("kind") == "inspection")).sum(),
    )  # fmt: skip
    an_hour = COSTS.labour_per_hour + downtime["downtime_cost_per_day"].mean() / COSTS.working_day_hours
    everyone = pl.DataFrame({"vehicle_id": [vehicle.ident for vehicle in fleet.life.lived.vehicles]})
    return (
        everyone.join(of_work, on="vehicle_id", how="left")
        .join(faults.group_by("vehicle_id").agg(faults=pl.col("on").n_unique()), on="vehicle_id", how="left")
        .join(stranded.group_by("vehicle_id").agg(breakdowns=pl.len()), on="vehicle_id", how="left")
        .join(
            pl.DataFrame({"vehicle_id": pl.Series(read, dtype=pl.String)})
            .group_by("vehicle_id")
            .agg(readings=pl.len()),
            on="vehicle_id",
            how="left",
        )
        .join(towed.group_by("vehicle_id").agg(towing=pl.col("breakdown_cost").sum()), on="vehicle_id", how="left")
        .with_columns(pl.exclude("vehicle_id").fill_null(0).cast(pl.Float64))
        .with_columns(
            cost=pl.col("cost") + pl.col("towing") + pl.col("readings") * COSTS.reading_hours * an_hour,
            hours=pl.col("hours") + pl.col("readings") * COSTS.reading_hours,
        )
        .drop("towing", "readings")
    )


if __name__ == "__main__":
    main()
