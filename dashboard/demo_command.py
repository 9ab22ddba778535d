"""`leeway demo`: the options; the work is in `dashboard.demo`."""

from functools import partial

import click

from dashboard.serve import address_option, browser_option, port_option, run_dashboard
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
@address_option
@port_option
@browser_option
def demo(  # noqa: PLR0917 - click gives each option by name
    store: Store,
    vehicles: int,
    weeks: int,
    seed: int,
    open_standard_only: bool,
    no_serve: bool,
    address: str,
    port: int,
    open_browser: bool,
) -> None:
    """Make a fleet, load it, analyse it, plan its work, check the forecast, and open the dashboard.

    A store that exists already is shown as it is and never changed; name another with --store for a new fleet.
    """
    if store.exists():
        say(f"{store.path} is there already and is shown as it is. For a new fleet name another with --store.")
    else:
        from dashboard.demo import make_demo  # noqa: PLC0415 - all the computing, which --help and serve can spare

        make_demo(
            store,
            vehicles=vehicles,
            weeks=weeks,
            seed=seed,
            open_standard_only=open_standard_only,
            say=partial(say, err=True),
        )
    if not no_serve:
        say(f"Dashboard: http://{address}:{port} (Ctrl-C ends it)")
        run_dashboard(store, address=address, port=port, open_browser=open_browser)
