"""The subcommand `leeway simulate`."""

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from synthetic_fleet.scenario import ScenarioError, demo_text, read_scenario
from synthetic_fleet.simulate import simulate as simulate_fleet

FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)
DAY = click.DateTime(["%Y-%m-%d"])


HELP = """Make a synthetic fleet with known truth.

Writes drops as a real fleet would hand them over, one folder a month (OUT/2030-01, OUT/2030-02, ...), and beside
them OUT/truth: what really was wrong, since when, and which faults set. `leeway load OUT` loads the drops alone; a
folder named truth is never loaded.

\b
300 vehicles over a year and a half:
  leeway simulate --vehicles 300 --weeks 78 --seed 1 --out fleet
Twice the healthy noise (noisy.toml holds the one line `noise = 2.0`):
  leeway simulate --scenario noisy.toml --out fleet
Everything that a scenario can change, with what it means:
  leeway simulate --show
"""


@click.command(help=HELP)
@click.option("--vehicles", type=click.IntRange(min=1), default=300, show_default=True, help="How many vehicles.")
@click.option("--weeks", type=click.IntRange(min=1), default=78, show_default=True, help="How many weeks.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Same seed, same bytes.")
@click.option("--out", type=FOLDER, help="Folder to write; an earlier fleet in it is taken away.")
@click.option("--scenario", "scenario_file", type=FILE, help="TOML file with the rates and parameters to change.")
@click.option("--start", type=DAY, help="First day, instead of the scenario's.")
@click.option("--format", "file_format", type=click.Choice(["parquet", "csv"]), default="parquet", show_default=True,
              help="Of snapshots and faults.")  # fmt: skip
@click.option("--open-standard-only", is_flag=True, help="Only what the open standard reads on every vehicle: fuel "
              "trims per bank and a few more.")  # fmt: skip
@click.option("--clean", is_flag=True, help="Leave out every kind of dirt.")
@click.option("--oracle", type=DAY, multiple=True, help="A day at whose end the true probability of a fault is "
              "reckoned (truth/oracle); may be given again. Takes some minutes for 2,000 vehicles.")  # fmt: skip
@click.option("--oracle-paths", type=click.IntRange(min=1), default=200, show_default=True,
              help="Simulated futures a vehicle in each of the oracle's two halves.")  # fmt: skip
@click.option("--show", is_flag=True, help="Print the demo's scenario with its comments, and stop.")
def simulate(out: Path | None, *, scenario_file: Path | None, show: bool, **options: Any) -> None:
    """Make a synthetic fleet with known truth; what a person reads is in HELP."""
    if show:
        click.echo(demo_text())
        return
    if out is None:
        raise click.UsageError("--out: no folder given. Name one to write the fleet into.")
    try:
        scenario = read_scenario(scenario_file)
        run(scenario, out, **options)
    except ScenarioError as error:
        raise click.ClickException(str(error)) from error


def run(
    scenario: dict[str, Any],
    out: Path,
    *,
    start: datetime | None,
    clean: bool,
    oracle: tuple[datetime, ...],
    **options: Any,
) -> None:
    """Simulate with a progress bar."""
    if start is not None:
        scenario["start"] = start.date()
    if clean:
        scenario["dirt"]["enabled"] = False
    label = f"{options['vehicles']} vehicles, {options['weeks']} weeks"
    with click.progressbar(length=options["vehicles"], label=label) as bar:
        days = tuple(day.date() for day in oracle)
        simulate_fleet(scenario, out=out, progress=bar.update, oracle_on=days, **options)
    click.echo(f"{out}: drops by month, and what really happened in {out / 'truth'}.")
