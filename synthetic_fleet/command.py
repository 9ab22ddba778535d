"""The subcommand `leeway simulate`."""

from datetime import datetime
from pathlib import Path

import click

from synthetic_fleet.scenario import ScenarioError, demo_text, read_scenario
from synthetic_fleet.simulate import simulate as simulate_fleet


@click.command()
@click.option("--vehicles", type=click.IntRange(min=1), default=300, show_default=True, help="How many vehicles.")
@click.option("--weeks", type=click.IntRange(min=1), default=78, show_default=True, help="How many weeks.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Same seed, same bytes.")
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), help="Folder to write; an earlier fleet in it goes."
)
@click.option(
    "--scenario",
    "scenario_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="TOML with the rates and parameters to change.",
)
@click.option("--start", type=click.DateTime(["%Y-%m-%d"]), help="First day, instead of the scenario's.")
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["parquet", "csv"]),
    default="parquet",
    show_default=True,
    help="Of snapshots and faults.",
)
@click.option(
    "--open-standard-only",
    is_flag=True,
    help="Only what the open standard reads on every vehicle: fuel trims per bank and a few more.",
)
@click.option("--show", is_flag=True, help="Print the demo's scenario, with its comments, and stop.")
def simulate(
    vehicles: int,
    weeks: int,
    seed: int,
    out: Path | None,
    scenario_file: Path | None,
    start: datetime | None,
    file_format: str,
    open_standard_only: bool,
    show: bool,
) -> None:
    """Make a synthetic fleet with known truth.

    Writes drops as a real fleet would hand them over, one folder a month (OUT/2030-01, OUT/2030-02, ...), and beside
    them OUT/truth: what really was wrong, since when, and which faults set. `leeway load OUT/2030-*` loads the drops.

    \b
    Example: 300 vehicles over a year and a half
      leeway simulate --vehicles 300 --weeks 78 --seed 1 --out fleet
    Example: twice the healthy noise: a file noisy.toml with the line `noise = 2.0`
      leeway simulate --scenario noisy.toml --out fleet
    Everything a scenario can change, with what it means:
      leeway simulate --show
    """
    if show:
        click.echo(demo_text())
        return
    if out is None:
        raise click.UsageError("--out: no folder given. Name one to write the fleet into.")
    try:
        scenario = read_scenario(scenario_file)
        if start is not None:
            scenario["start"] = start.date()
        with click.progressbar(length=vehicles, label=f"{vehicles} vehicles, {weeks} weeks") as bar:
            simulate_fleet(
                scenario, vehicles=vehicles, weeks=weeks, seed=seed, out=out, progress=bar.update,
                file_format=file_format, open_standard_only=open_standard_only,
            )  # fmt: skip
    except ScenarioError as error:
        raise click.ClickException(str(error)) from error
