"""`leeway demo`: the options; the work is in `dashboard.demo`."""

import subprocess
import sys
from functools import partial
from typing import Any

import click

from dashboard.serve import Door, door_options, run_dashboard
from pipelines.command_options import store_option
from pipelines.store.folder import Store
from pipelines.terminal import say


@click.command()
@store_option
@click.option("--vehicles", default=300, show_default=True, type=click.IntRange(3), help="Vehicles in the fleet.")
@click.option("--weeks", default=78, show_default=True, type=click.IntRange(8), help="Weeks of its life.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="Same seed, same fleet.")
@click.option("--open-standard-only", is_flag=True, help="Only what the open standard reads everywhere.")
@click.option("--no-serve", is_flag=True, help="Stop before the dashboard.")
@door_options
def demo(
    store: Store, *, vehicles: int, weeks: int, seed: int, open_standard_only: bool, no_serve: bool, **options: Any
) -> None:
    """Make a fleet, load it, analyse it, plan its work, check the forecast, and open the dashboard.

    A store that exists already is shown as it is and never changed; name another with --store for a new fleet.
    """
    door = Door(**options)
    told = partial(say, err=True)
    made = not store.exists()
    if made:
        from pipelines.first_run import compiling_told  # noqa: PLC0415

        with compiling_told(told, "pipelines", "synthetic_fleet", ahead=True):
            from dashboard.demo import check_forecast, make_demo  # noqa: PLC0415 - all the computing, spared by --help

            make_demo(store, vehicles=vehicles, weeks=weeks, seed=seed, open_standard_only=open_standard_only, say=told)
            if no_serve:
                check_forecast(store, told)
    else:
        say(f"{store.path} is there already and is shown as it is. For a new fleet name another with --store.")
    if no_serve:
        return
    if not made:
        run_dashboard(store, door)
        return
    told("The forecast is checked on past dates meanwhile: see the page How far to trust it")
    checker = subprocess.Popen([sys.executable, "-P", "-m", "dashboard.demo_check", str(store.path)])  # noqa: S603
    try:
        run_dashboard(store, door)
    finally:
        checker.terminate()
        checker.wait()
