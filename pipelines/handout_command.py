"""The command `handout`: the papers of the newest plan into a folder."""

from pathlib import Path

import click

from pipelines.command_options import store_option
from pipelines.store.folder import Store
from pipelines.terminal import say


@click.command()
@store_option
@click.option(
    "--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write into."
)
def handout(store: Store, folder: Path) -> None:
    """Write the newest plan as papers: plan.xlsx, plan-DEPOT.ics, week-DEPOT.pdf, card-VEHICLE.pdf.

    Of work under warranty, planned or done within three months, claim-VEHICLE.pdf and claim-VEHICLE.xlsx: readings
    before and after, codes, calibrations and work.

    Beside them, of each part that came back inside its warranty, a page for its supplier: supplier-PART.pdf.

    \b
    Example:
      leeway handout --to papers
    """  # noqa: D301 (click reads the escape)
    from pipelines.handouts.folder import write_papers  # noqa: PLC0415 (keeps --help quick)
    from pipelines.planning import newest_papers  # noqa: PLC0415

    written = write_papers(newest_papers(store), folder)
    say(f"Wrote {len(written)} papers to {folder}.")
