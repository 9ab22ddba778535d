"""The front door `leeway`: the commands of the pipelines and of the simulator, `serve` and `demo`; one-line errors."""

import importlib
import sys

import click

from pipelines.errors import LeewayError
from pipelines.terminal import say

# name -> module, object and the line that `leeway --help` shows; a command is imported when it is run, so that help
# answers at once.
COMMANDS = {
    "analyse": ("pipelines.command", "analyse", "Compute every published table from what was known at a time."),
    "backtest": ("pipelines.command", "backtest", "Check the forecasts of past dates against what came after."),
    "demo": ("dashboard.demo_command", "demo", "Make a fleet, analyse it and open the dashboard: begin here."),
    "digest": ("pipelines.digest_command", "digest", "Tell what is new since the last digest, in a file for a mailer."),
    "enter": ("pipelines.command", "enter", "Enter what people know: decisions, visits, notes, typed readings."),
    "explain": ("pipelines.explain_command", "explain", "Say what a word means: drop, mapping, leeway, any column."),
    "export": ("pipelines.command", "export", "Write one published table to a file."),
    "handout": ("pipelines.handout_command", "handout", "Write the plan as papers: workbook, calendars, job cards."),
    "load": ("pipelines.load_command", "load", "Load what there is: drops, spreadsheets, logs, exports."),
    "plan": ("pipelines.command", "plan", "Plan the preventive work into bays and days."),
    "serve": ("dashboard.serve", "serve", "Show the dashboard of a store."),
    "settings": ("pipelines.settings_command", "settings", "Print every setting, as the file that sets it."),
    "simulate": ("synthetic_fleet.command", "simulate", "Make a synthetic fleet with known truth."),
    "tend": ("dashboard.tend_command", "tend", "Do what is due: take up files, analyse, plan, back up, check."),
    "store": ("pipelines.command", "store_group", "Look after a store."),
}
CANNOT = 2  # exit code of an error the user can mend
STOPPED = 130


class FrontDoor(click.Group):
    """The commands of all three packages, each imported when it is run."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Their names."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The command itself, imported now; None for a name that is none."""
        if cmd_name not in COMMANDS:
            return None
        module, name, _ = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Their lines in the help, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in sorted(COMMANDS.items())])


@click.group(cls=FrontDoor, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, help="Show where in the code an error arose.")
@click.version_option(package_name="leeway")
def leeway(debug: bool) -> None:
    """See which vehicles' learned engine corrections stray, why, and which will set a fault next.

    Begin with `leeway demo`, which makes a fleet and opens the dashboard; or with your own drop: load it, analyse it,
    plan the work, and serve what came out.
    """


def main() -> None:
    """Run the command line; an error that the user can mend is one line on standard error."""
    try:
        leeway.main(prog_name="leeway", standalone_mode=False)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except (KeyboardInterrupt, click.Abort):
        say("Stopped.", err=True)
        sys.exit(STOPPED)
    except (click.ClickException, LeewayError) as error:
        if "--debug" in sys.argv:
            raise
        sys.exit(_told(error))
    except Exception as error:  # a fault of ours is told in one line, too
        if "--debug" in sys.argv:
            raise
        text = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
        say(f"leeway: {text}. This is a fault of the program; --debug shows where.", err=True)
        sys.exit(CANNOT)


def _told(error: click.ClickException | LeewayError) -> int:
    """Print the error as one line; the exit code that goes with it."""
    text = error.format_message() if isinstance(error, click.ClickException) else str(error)
    say(f"leeway: {' '.join(text.split())}", err=True)
    return error.exit_code if isinstance(error, click.ClickException) else CANNOT
