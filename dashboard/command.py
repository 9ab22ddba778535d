"""The front door `leeway`: the commands of the pipelines and of the simulator, `serve` and `demo`; one-line errors."""

import sys

import click

from dashboard.serve import address_option, browser_option, port_option, run_dashboard, serve
from pipelines.command import COMMANDS
from pipelines.command_options import store_option
from pipelines.errors import LeewayError
from pipelines.store.folder import Store
from synthetic_fleet.command import simulate

CANNOT = 2  # exit code of an error the user can mend
STOPPED = 130


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, help="Show where in the code an error arose.")
@click.version_option(package_name="leeway")
def leeway(debug: bool) -> None:
    """See which vehicles' learned engine corrections stray, why, and which will set a fault next.

    Begin with `leeway demo`, which makes a fleet and opens the dashboard; or with your own drop: load it, analyse it,
    plan the work, and serve what came out.
    """


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
        click.echo(f"{store.path} is there already and is shown as it is. For a new fleet name another with --store.")
    else:
        from dashboard.demo import make_demo  # noqa: PLC0415 - all the computing, which --help and serve can spare

        make_demo(
            store,
            vehicles=vehicles,
            weeks=weeks,
            seed=seed,
            open_standard_only=open_standard_only,
            say=lambda text: click.echo(text, err=True),
        )
    if not no_serve:
        click.echo(f"Dashboard: http://{address}:{port} (Ctrl-C ends it)")
        run_dashboard(store, address=address, port=port, open_browser=open_browser)


for command in (*COMMANDS, simulate, serve, demo):
    leeway.add_command(command)


def main() -> None:
    """Run the command line; an error that the user can mend is one line on standard error."""
    try:
        leeway.main(prog_name="leeway", standalone_mode=False)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except (KeyboardInterrupt, click.Abort):
        click.echo("Stopped.", err=True)
        sys.exit(STOPPED)
    except (click.ClickException, LeewayError) as error:
        if "--debug" in sys.argv:
            raise
        sys.exit(_told(error))


def _told(error: click.ClickException | LeewayError) -> int:
    """Print the error as one line; the exit code that goes with it."""
    text = error.format_message() if isinstance(error, click.ClickException) else str(error)
    click.echo(f"leeway: {' '.join(text.split())}", err=True)
    return error.exit_code if isinstance(error, click.ClickException) else CANNOT
