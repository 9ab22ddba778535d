"""The command `analyse`: what it asks in a terminal, who works on a fleet's parts, and what it says at the end."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import click

from pipelines.command_options import Time, store_option
from pipelines.errors import SettingError
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.terminal import say
from pipelines.who_works import WhoWorks, runner_of, stages, who_works

if TYPE_CHECKING:
    import polars as pl

    from pipelines.handover import Analysis, Evidence
    from pipelines.parts.work import Plan, Runner
    from pipelines.resume.drift_checkpoint import Checkpoint
    from pipelines.settings import Settings
    from pipelines.store.fleet import Fleet


@click.command()
@store_option
@click.option(
    "--as-of",
    type=Time(),
    help="Look at nothing later than this time (default: the newest reading, fault, work or entry).",
)
@click.option("--known-at", type=Time(), help="Look at nothing that was loaded later than this time.")
@click.option(
    "--false-alarms",
    type=float,
    help="Alarms a healthy vehicle may raise in a year, 0.05 to 0.5 (default: as set, or else 0.1).",
)
@click.option(
    "--states",
    is_flag=True,
    help="Publish correction_state alone, going on from the last such run: the same, in a fraction of the time.",
)
@who_works
def analyse(
    *, store: Store, as_of: datetime | None, known_at: datetime | None, false_alarms: float | None, states: bool,
    who: WhoWorks,
) -> None:  # fmt: skip
    """Compute every published table from what was known at a time, and publish them all at once.

    \b
    Examples:
      leeway analyse
      leeway analyse --as-of 2031-02-14
      leeway analyse --states
      leeway analyse --workers 8 --memory 4GiB
      leeway analyse --cluster tls://scheduler.example:8786
    """  # noqa: D301 (click reads the escape)
    from pipelines.first_run import compiling_told  # noqa: PLC0415
    from pipelines.settings_file import settings_of  # noqa: PLC0415
    from pipelines.store.newest import refuse_beyond  # noqa: PLC0415

    if as_of is not None:
        refuse_beyond(store, as_of)
    set_here = settings_of(store.path)
    settings = set_here.analysis
    if false_alarms is not None:
        settings = replace(settings, false_alarms_per_vehicle_year=false_alarms)
    with (
        runner_of(store, who, stages()) as runner,
        _alone(store),
        compiling_told(lambda line: say(line, err=True), "pipelines", ahead=not who.elsewhere),
    ):
        if states:
            _publish_states(store, as_of, known_at, settings, runner)
            return
        _publish_all(store, as_of, known_at, settings, runner, kept=set_here.tend.analyses_kept)


def _read(store: Store, as_of: datetime | None, known_at: datetime | None) -> "Fleet":
    from pipelines.store.fleet import read_fleet  # noqa: PLC0415

    fleet = read_fleet(store, as_of=as_of, known_at=known_at)
    if not fleet.shown.readings:
        raise SettingError(
            f"{store.path}: no reading up to {fleet.evidence.as_of:%Y-%m-%d %H:%M} UTC. "
            "Choose a later --as-of, or load more."
        )
    return fleet


@contextmanager
def _alone(store: Store) -> Iterator[None]:
    """Two analyses of a store at once would do the same work twice, and the slower one would publish last."""
    if not store.path.is_dir():
        yield  # whoever reads it says so
        return
    with writers_lock(store.path / "analysing", who="analyse", wait_s=0.0):
        yield


def _publish_all(
    store: Store,
    as_of: datetime | None,
    known_at: datetime | None,
    settings: "Settings",
    runner: "Runner",
    *,
    kept: int,
) -> None:
    """Every table, and what they say and cost, in lines."""
    import polars as pl  # noqa: PLC0415

    from pipelines.parts.costs import cost_lines, measured  # noqa: PLC0415
    from pipelines.parts.joining import room_for_parts  # noqa: PLC0415
    from pipelines.parts.work import analyse_in_parts  # noqa: PLC0415
    from pipelines.store.publish import publish  # noqa: PLC0415

    began = time.perf_counter()
    plan, fleet_read = measured(lambda told: _planned(store, as_of, known_at, settings, runner, told), stages())
    evidence = plan.evidence
    with room_for_parts(store.path) as room:
        analysis, costs = analyse_in_parts(plan, runner, room, progress=stages())
        entries = pl.DataFrame({"entries": [evidence.entries_read]})  # a page says which were entered since
        tables = {**analysis.tables, "entries_counted": entries}

        def put(told: Callable[[str], None]) -> None:
            told("publishing")
            publish(store, replace(analysis, tables=tables), kept=kept)

        _, published = measured(put, stages())
        say(*_found(analysis, evidence))
    say(*cost_lines([fleet_read, *costs, published], time.perf_counter() - began), err=True)
    say(f"Look: leeway serve --store {store.path}")


def _found(analysis: "Analysis", evidence: "Evidence") -> list[str]:
    """What was published, and what it says, in lines."""
    from pipelines.intake.report import counted  # noqa: PLC0415
    from pipelines.large_tables import select  # noqa: PLC0415
    from pipelines.outcome import LEADING, outcome  # noqa: PLC0415

    read = select(analysis.tables["reading_clock"], "vehicle_id")["vehicle_id"]
    published = (
        f"Published {len(analysis.tables)} tables as of {analysis.as_of:%Y-%m-%d %H:%M} UTC: "
        f"{counted(evidence.vehicles.height, 'vehicle')}, {counted(len(read), 'reading')}."
    )
    return [
        published,
        *outcome(
            select(analysis.tables["vehicle_state"]),
            select(analysis.tables["correction_state"], *LEADING),
            evidence.corrections,
            read=dict(read.value_counts().iter_rows()),
        ),
    ]


def _planned(  # noqa: PLR0917
    store: Store,
    as_of: datetime | None,
    known_at: datetime | None,
    settings: "Settings",
    runner: "Runner",
    told: Callable[[str], None],
) -> "Plan":
    """What is to be done; readings are not held here where they are many, or others work on the parts."""
    from pipelines.parts.fleets import plan_of  # noqa: PLC0415
    from pipelines.parts.work import InThisProcess  # noqa: PLC0415

    with store.reading():  # a store that is not there says so before anything is told
        told("reading the fleet")
    fleet = _read(store, as_of, known_at)
    return plan_of(store, fleet, known_at=known_at, settings=settings, elsewhere=not isinstance(runner, InThisProcess))


def _publish_states(
    store: Store, as_of: datetime | None, known_at: datetime | None, settings: "Settings", runner: "Runner"
) -> None:
    """Publish `correction_state` alone; in parts if others work on them, or readings are too many for one process."""
    from pipelines.parts.fleets import plan_of  # noqa: PLC0415
    from pipelines.parts.runs import states_in_parts  # noqa: PLC0415
    from pipelines.parts.work import InThisProcess  # noqa: PLC0415
    from pipelines.store.publish import publish_states  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415

    fleet = _read(store, as_of, known_at)
    evidence, elsewhere = fleet.evidence, not isinstance(runner, InThisProcess)
    before = [at for at in kept_as_ofs(store, "cause_ranking") if at <= evidence.as_of]
    ranked = read_published(store, "cause_ranking", as_of=before[-1]) if before else None
    if fleet.is_here and not elsewhere:
        table = _publish_states_since(store, evidence, settings, ranked)
    else:
        plan = plan_of(store, fleet, known_at=known_at, settings=settings, elsewhere=elsewhere)
        table = states_in_parts(plan, runner, ranked_before=ranked, progress=stages())
        publish_states(store, table, evidence.as_of)
    whole = kept_as_ofs(store)
    others = f"stay as of {whole[-1]:%Y-%m-%d %H:%M} UTC" if whole else "are not published yet"
    say(
        f"Published correction_state as of {evidence.as_of:%Y-%m-%d %H:%M} UTC: {evidence.vehicles.height} vehicles, "
        f"{table['alarm'].sum()} alarms. All other tables {others}: leeway analyse."
    )


def _publish_states_since(
    store: Store, evidence: "Evidence", settings: "Settings", ranked: "pl.DataFrame | None"
) -> "pl.DataFrame":
    """The same going on from the last such run; keeps what the next one goes on from."""
    from pipelines.resume.correction_states import correction_states_since  # noqa: PLC0415
    from pipelines.store.drift_checkpoint import checkpoint_folder  # noqa: PLC0415
    from pipelines.store.publish import publish_states  # noqa: PLC0415

    with checkpoint_folder(store) as folder, ThreadPoolExecutor(1) as beside:
        kept = folder.read(say=lambda line: say(line, err=True))
        written: list[Future[None]] = []

        def keep(left: "Checkpoint") -> None:
            if left.renews(kept):
                written.append(beside.submit(folder.write, left))

        table = correction_states_since(
            kept, evidence, settings=settings, keep=keep, put=folder.put, ranked_before=ranked, progress=stages()
        )
        publish_states(store, table, evidence.as_of)
        for done in written:
            done.result()
    return table
