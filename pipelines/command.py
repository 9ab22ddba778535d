"""The commands of the pipelines: load, analyse, plan, backtest, export, store; joined with others by the front door."""

import sys
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipelines.command_options import Time, store_option
from pipelines.entries_command import enter
from pipelines.errors import SettingError
from pipelines.load_command import load
from pipelines.store.folder import Store
from pipelines.store_command import store_group
from pipelines.terminal import say

if TYPE_CHECKING:
    import polars as pl

    from pipelines.handover import Evidence
    from pipelines.resume.drift_checkpoint import Checkpoint
    from pipelines.settings import Settings


def stages() -> Callable[[str], None]:
    """Says on standard error which stage a long computation has come to."""
    return lambda stage: say(f"  {stage} ...", err=True)


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
def analyse(
    *, store: Store, as_of: datetime | None, known_at: datetime | None, false_alarms: float | None, states: bool
) -> None:
    """Compute every published table from what was known at a time, and publish them all at once.

    \b
    Examples:
      leeway analyse
      leeway analyse --as-of 2031-02-14
      leeway analyse --states
    """  # noqa: D301 (click reads the escape)
    import polars as pl  # noqa: PLC0415

    from pipelines.analyse import analyse as run  # noqa: PLC0415
    from pipelines.first_run import compiling_told  # noqa: PLC0415
    from pipelines.intake.report import counted  # noqa: PLC0415
    from pipelines.outcome import outcome  # noqa: PLC0415
    from pipelines.settings_file import settings_of  # noqa: PLC0415
    from pipelines.store.evidence import read_evidence  # noqa: PLC0415
    from pipelines.store.newest import refuse_beyond  # noqa: PLC0415
    from pipelines.store.publish import publish  # noqa: PLC0415

    if as_of is not None:
        refuse_beyond(store, as_of)
    set_here = settings_of(store.path)
    settings = set_here.analysis
    if false_alarms is not None:
        settings = replace(settings, false_alarms_per_vehicle_year=false_alarms)
    with compiling_told(lambda line: say(line, err=True), "pipelines", ahead=True):
        evidence = read_evidence(store, as_of=as_of, known_at=known_at)
        if evidence.snapshots.is_empty():
            raise SettingError(
                f"{store.path}: no reading up to {evidence.as_of:%Y-%m-%d %H:%M} UTC. "
                "Choose a later --as-of, or load more."
            )
        if states:
            _publish_states(store, evidence, settings)
            return
        analysis = run(evidence, settings=settings, progress=stages())
    entries = pl.DataFrame({"entries": [evidence.entries_read]})  # a page says which were entered since
    tables = {**analysis.tables, "entries_counted": entries}
    publish(store, replace(analysis, tables=tables), kept=set_here.tend.analyses_kept)
    say(
        f"Published {len(analysis.tables)} tables as of {analysis.as_of:%Y-%m-%d %H:%M} UTC: "
        f"{counted(evidence.vehicles.height, 'vehicle')}, {counted(evidence.snapshots.height, 'reading')}.",
        *outcome(
            analysis.tables["vehicle_state"],
            analysis.tables["correction_state"],
            evidence.corrections,
            read=dict(evidence.snapshots["vehicle_id"].value_counts().iter_rows()),
        ),
        f"Look: leeway serve --store {store.path}",
    )


def _publish_states(store: Store, evidence: "Evidence", settings: "Settings") -> None:
    """Publish `correction_state` alone, and keep what the next such run goes on from."""
    from pipelines.resume.correction_states import correction_states_since  # noqa: PLC0415
    from pipelines.store.drift_checkpoint import checkpoint_folder  # noqa: PLC0415
    from pipelines.store.publish import publish_states  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415

    before = [at for at in kept_as_ofs(store, "cause_ranking") if at <= evidence.as_of]
    ranked = read_published(store, "cause_ranking", as_of=before[-1]) if before else None
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
    whole = kept_as_ofs(store)
    others = f"stay as of {whole[-1]:%Y-%m-%d %H:%M} UTC" if whole else "are not published yet"
    say(
        f"Published correction_state as of {evidence.as_of:%Y-%m-%d %H:%M} UTC: {evidence.vehicles.height} vehicles, "
        f"{table['alarm'].sum()} alarms. All other tables {others}: leeway analyse."
    )


@click.command()
@store_option
@click.option("--days", type=click.IntRange(1, 366), help="How many days to plan (default: as set, or else 28).")
@click.option(
    "--costs",
    "costs_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A TOML file with what work and standing still cost this fleet; it holds for later plans too.",
)
@click.option("--show-costs", is_flag=True, help="Print what is assumed, as such a file to change, and plan nothing.")
def plan(store: Store, days: int | None, costs_file: Path | None, *, show_costs: bool) -> None:
    """Plan the preventive work of the newest analysis into bays and days, and publish it.

    \b
    Examples:
      leeway plan --days 14
      leeway plan --show-costs > costs.toml
      leeway plan --costs costs.toml
    """  # noqa: D301 (click reads the escape)
    from pipelines.planning import costs_in_use, plan_newest  # noqa: PLC0415
    from pipelines.workplan.costs import costs_text  # noqa: PLC0415

    if show_costs:
        say(*costs_text(costs_in_use(store)[0]).splitlines())
        return
    done = plan_newest(store, days=days, costs_file=costs_file)
    say(
        f"Published a work plan of {done.plan.work_plan.height} vehicles for {done.days} days from "
        f"{done.as_of:%Y-%m-%d}; without a visit: {done.plan.left_out.height} (leeway export plan_left_out says why). "
        f"No other choice of days saves more than {done.plan.unproven:.1%} beyond it."
    )


@click.command()
@click.argument("table")
@store_option
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write: .parquet, .csv or .xlsx.",
)
@click.option("--as-of", type=Time(), help="One that is still kept (default: the newest).")
def export(table: str, store: Store, target: Path, as_of: datetime | None) -> None:
    """Write one published table to a file, or what people entered (`entry`), or who did what (`act`).

    \b
    Examples:
      leeway export vehicle_state --to vehicles.xlsx
      leeway export entry --to entries.csv
      leeway export fault_forecast --to forecast.parquet --as-of 2031-02-14
    """  # noqa: D301 (click reads the escape)
    from pipelines.settings_file import made_with, settings_of  # noqa: PLC0415
    from pipelines.store.acts import acts  # noqa: PLC0415
    from pipelines.store.entries import read_entries  # noqa: PLC0415
    from pipelines.store.exporting import write_frame  # noqa: PLC0415
    from pipelines.store.published import read_published  # noqa: PLC0415

    records = {"entry": read_entries, "act": acts}
    frame = _record(store, table, as_of, records[table]) if table in records else None
    frame = read_published(store, table, as_of=as_of) if frame is None else frame
    write_frame(frame, target, about=made_with(settings_of(store.path)))
    say(f"Wrote {frame.height} rows to {target}.")


def _record(store: Store, name: str, as_of: datetime | None, read: "Callable[[Store], pl.DataFrame]") -> "pl.DataFrame":
    """What people entered, those entries too that were withdrawn, or the log; neither is analysed, so has an as_of."""
    if as_of is not None:
        raise SettingError(f"{name}: is a record and has no --as-of. Leave it out.")
    if not store.path.is_dir():
        raise SettingError(f"{store.path}: no store here. Load a drop first: leeway load DROP --store {store.path}")
    return read(store)


@click.command()
@store_option
@click.option("--from", "start", type=Time(), required=True, help="First date to analyse at.")
@click.option("--to", "end", type=Time(), required=True, help="Last date to analyse at.")
@click.option("--every", type=click.IntRange(1, 3660), default=28, show_default=True, help="Days between dates.")
@click.option("--as-known", is_flag=True, help="Leave out rows loaded after a date too: for stores fed weekly.")
def backtest(store: Store, start: datetime, end: datetime, every: int, *, as_known: bool) -> None:
    """Analyse at each of many past dates, score the forecasts against what came after, publish forecast_check.

    \b
    Example:
      leeway backtest --from 2031-01-01 --to 2031-06-01 --every 28
    """  # noqa: D301 (click reads the escape)
    from pipelines.backtest import backtest as run  # noqa: PLC0415
    from pipelines.settings_file import settings_of  # noqa: PLC0415
    from pipelines.store.evidence import read_evidence  # noqa: PLC0415
    from pipelines.store.newest import refuse_beyond  # noqa: PLC0415
    from pipelines.store.publish import publish_tables  # noqa: PLC0415

    refuse_beyond(store, end)
    if end < start:
        raise SettingError(f"--to {end:%Y-%m-%d} is before --from {start:%Y-%m-%d}. Turn them round.")
    later = read_evidence(store)
    dates = [start + timedelta(days=day) for day in range(0, (end - start).days + 1, every)]
    with click.progressbar(length=len(dates), label="Backtest", file=sys.stderr, hidden=not sys.stderr.isatty()) as bar:
        result = run(
            lambda as_of: read_evidence(store, as_of=as_of, known_at=as_of if as_known else None), later, dates=dates,
            settings=settings_of(store.path).analysis, progress=lambda *_: bar.update(1),
        )  # fmt: skip
    tables = result if isinstance(result, dict) else {"forecast_check": result}
    publish_tables(store, tables, later.as_of)
    say(f"Analysed at {len(dates)} dates; published {', '.join(sorted(tables))}.")


COMMANDS: list[click.Command] = [load, analyse, plan, export, enter, backtest, store_group]
