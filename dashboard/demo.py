"""The store of the demo: a fleet is made, loaded, analysed, planned, and its forecast checked on past dates."""

import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import click
import polars as pl

from pipelines.analyse import analyse
from pipelines.backtest import backtest
from pipelines.intake.load import load
from pipelines.large_tables import select
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.publish import publish, publish_tables
from pipelines.workplan.plan import plan_work
from synthetic_fleet.scenario import ScenarioError, read_scenario
from synthetic_fleet.simulate import simulate as simulate_fleet

PLANNED_DAYS = 28
CHECKED_AT_DAYS_BACK = (182, 147, 112)  # dates the forecast is checked at; each has 90 days of faults after it
Say = Callable[[str], None]


def make_demo(
    store: Store,
    *,
    vehicles: int,
    weeks: int,
    seed: int,
    open_standard_only: bool,
    say: Say,
) -> None:
    """Make the store of a demo fleet, analysed and planned, whole or not at all.

    Args:
        store: Where to; nothing is there yet.
        vehicles: How many.
        weeks: How long.
        seed: Same seed, same fleet.
        open_standard_only: Only what the open standard reads everywhere.
        say: Called with what is being done.
    """
    draft = Store(store.path.with_name(f"{store.path.name}.in-the-making"))
    shutil.rmtree(draft.path, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix="leeway-demo-") as folder:
        drops = Path(folder)
        say(f"Making a fleet of {vehicles} vehicles over {weeks} weeks (seed {seed})")
        _simulate(drops, vehicles=vehicles, weeks=weeks, seed=seed, open_standard_only=open_standard_only)
        say("Loading its drops")
        load(draft, sorted(path for path in drops.iterdir() if path.name != "truth"))
    _analyse(draft, say)
    store.path.parent.mkdir(parents=True, exist_ok=True)
    draft.path.replace(store.path)
    say(f"Done: {store.path}")


def _simulate(drops: Path, *, vehicles: int, weeks: int, seed: int, open_standard_only: bool) -> None:
    try:
        with click.progressbar(length=vehicles, label="  vehicles", file=sys.stderr) as bar:
            simulate_fleet(
                read_scenario(),
                vehicles=vehicles,
                weeks=weeks,
                seed=seed,
                out=drops,
                progress=bar.update,
                open_standard_only=open_standard_only,
            )
    except ScenarioError as error:
        raise click.ClickException(str(error)) from error


def _analyse(store: Store, say: Say) -> None:
    settings = Settings()
    evidence = read_evidence(store)
    analysis = analyse(evidence, settings=settings, progress=lambda stage: say(f"Analysing: {stage}"))
    say(f"Planning {PLANNED_DAYS} days of work")
    tables = {name: select(table) for name, table in analysis.tables.items()}
    plan = plan_work(tables, evidence=evidence, days=PLANNED_DAYS, settings=settings)
    publish(store, analysis)
    publish_tables(store, plan.tables(), analysis.as_of)


def check_forecast(store: Store, say: Say) -> None:
    """Analyse a demo fleet as of some past dates, score what was said against what came after, and publish that.

    Args:
        store: Of the demo.
        say: Called with what is being done.
    """
    later = read_evidence(store)
    begins: datetime = later.snapshots.select(pl.col("read_at").min()).item()
    dates = [later.as_of - timedelta(days=back) for back in CHECKED_AT_DAYS_BACK]
    dates = [date for date in dates if date > begins + timedelta(weeks=8)]
    if not dates:
        say("The fleet is too young to check its forecast on the past")
        return
    say(f"Checking the forecast at {len(dates)} past dates, from what was known then")
    checked = backtest(
        lambda as_of: read_evidence(store, as_of=as_of),
        later,
        dates=dates,
        settings=Settings(),
        progress=lambda date: say(f"Checking the forecast {date}"),
    )
    publish_tables(store, checked, later.as_of)
