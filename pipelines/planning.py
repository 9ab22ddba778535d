"""Plans the work of a store's newest analysis and publishes it, and gathers its papers: for commands and the page."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.figure_words import with_names
from pipelines.handouts.gather import Papers, papers_of
from pipelines.settings_file import settings_of
from pipelines.store.entries import people
from pipelines.store.evidence import entries_by_now, read_evidence
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables
from pipelines.store.published import kept_as_ofs, published_names, read_published
from pipelines.workplan.costs import CostAssumptions, costs_from, given_in, own_costs, read_costs
from pipelines.workplan.plan import WorkPlan, plan_work

COSTS = "plan_assumption"  # published with each plan: what it was priced with


@dataclass(frozen=True, kw_only=True)
class Planned:
    """A plan that was published, the time of the analysis that it is of, and how many days it spans."""

    plan: WorkPlan
    as_of: datetime
    days: int


def plan_newest(store: Store, *, days: int | None = None, costs_file: Path | None = None) -> Planned:
    """Plan and publish; visits that people decided on after that analysis count.

    Args:
        store: What is analysed.
        days: Calendar days that the plan spans; None: as set.
        costs_file: The fleet's own figures in place of assumptions; None: those of the file of settings, or else those
            of the plan before go on.

    Raises:
        SettingError: nothing is analysed yet, or the file of costs or of settings cannot be used.
    """
    set_here = settings_of(store.path)
    span = set_here.plan.days if days is None else days
    costs, given = read_costs(costs_file) if costs_file is not None else costs_in_use(store)
    kept = kept_as_ofs(store)
    if not kept:
        raise SettingError(f"{store.path}: nothing is analysed yet. Run: leeway analyse")
    as_of, every = kept[-1], published_names(store)
    names = [name for name in every if as_of in kept_as_ofs(store, name)]
    published = {name: read_published(store, name, as_of=as_of) for name in names}
    if "work_plan" in every:
        published["work_plan"] = read_published(store, "work_plan")  # the one that people saw, of whichever analysis
    evidence = replace(read_evidence(store, as_of=as_of), entries=entries_by_now(store, as_of))
    planned = plan_work(published, evidence=evidence, days=span, settings=set_here.analysis, costs=costs)
    publish_tables(store, {**planned.tables(), COSTS: costs.as_frame(given)}, as_of, kept=set_here.tend.analyses_kept)
    return Planned(plan=planned, as_of=as_of, days=span)


def costs_in_use(store: Store) -> tuple[CostAssumptions, set[str]]:
    """What a plan is priced with, and the names that the fleet gave: as set, else as the newest plan, else assumed."""
    set_here = settings_of(store.path)
    if "costs" in set_here.given:
        return own_costs(set_here.given["costs"])
    if COSTS not in published_names(store):
        return CostAssumptions(), set()
    table = read_published(store, COSTS)
    return costs_from(table), given_in(table)


def newest_papers(store: Store) -> Papers:
    """What the papers of the newest plan say.

    Raises:
        StoreError: nothing is analysed or planned yet.
    """
    as_of: datetime = kept_as_ofs(store, "work_plan")[-1]
    names = [name for name in published_names(store) if as_of in kept_as_ofs(store, name)]
    published = {name: read_published(store, name, as_of=as_of) for name in names}
    evidence = replace(read_evidence(store, as_of=as_of), entries=entries_by_now(store, as_of))
    named = {name: with_names(published[name], people(store)) for name in ("work_plan", "plan_left_out")}
    return papers_of({**published, **named}, evidence, costs=costs_in_use(store)[0])
