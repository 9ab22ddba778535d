"""The commands of the pipelines: load, analyse, plan, backtest, export, store; joined with others by the front door."""

import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipelines.analyse_command import analyse
from pipelines.command_options import Time, store_option
from pipelines.entries_command import enter
from pipelines.errors import SettingError
from pipelines.load_command import load
from pipelines.store.folder import Store
from pipelines.store_command import store_group
from pipelines.terminal import say
from pipelines.who_works import WhoWorks, runner_of, stages, who_works

if TYPE_CHECKING:
    import polars as pl


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
@who_works
def backtest(*, store: Store, start: datetime, end: datetime, every: int, as_known: bool, who: WhoWorks) -> None:
    """Analyse at each of many past dates, score the forecasts against what came after, publish forecast_check.

    \b
    Examples:
      leeway backtest --from 2031-01-01 --to 2031-06-01 --every 28
      leeway backtest --from 2031-01-01 --to 2031-06-01 --workers 8 --memory 4GiB
    """  # noqa: D301 (click reads the escape)
    from pipelines.backtest import scored  # noqa: PLC0415
    from pipelines.parts.fleets import past_in_parts  # noqa: PLC0415
    from pipelines.settings_file import settings_of  # noqa: PLC0415
    from pipelines.store.newest import refuse_beyond  # noqa: PLC0415
    from pipelines.store.publish import publish_tables  # noqa: PLC0415

    refuse_beyond(store, end)
    if end < start:
        raise SettingError(f"--to {end:%Y-%m-%d} is before --from {start:%Y-%m-%d}. Turn them round.")
    settings = settings_of(store.path).analysis
    dates = [start + timedelta(days=day) for day in range(0, (end - start).days + 1, every)]
    hidden = who.elsewhere or not sys.stderr.isatty()  # others tell their stages, in lines
    told = stages() if who.elsewhere else lambda _stage: None
    with (
        runner_of(store, who, told) as runner,
        click.progressbar(length=len(dates), label="Backtest", file=sys.stderr, hidden=hidden) as bar,
    ):

        def begins(date: str) -> None:
            told(date)
            bar.update(1)

        made_at, record, now = past_in_parts(store, settings, as_known=as_known, runner=runner)
        tables = scored(made_at, record, now, dates=dates, seed=settings.seed, progress=begins)
    publish_tables(store, tables, now)
    say(f"Analysed at {len(dates)} dates; published {', '.join(sorted(tables))}.")


COMMANDS: list[click.Command] = [load, analyse, plan, export, enter, backtest, store_group]
