"""The commands that look after a store: check, backup, restore, quarantine export."""

import sys
from pathlib import Path

import click

from pipelines.command_options import store_option
from pipelines.store.folder import Store
from pipelines.terminal import say


@click.group("store")
def store_group() -> None:
    """Look after a store: check, back up, restore, take rows out of quarantine to mend them."""


@store_group.command()
@store_option
def check(store: Store) -> None:
    """Read everything in the store and say whether it is whole; exit code 1 if it is not.

    \b
    Example:
      leeway store check --store fleet.store
    """  # noqa: D301 (click reads the escape)
    from pipelines.store.checking import breaches  # noqa: PLC0415

    found = breaches(store)
    say(*found)
    say(f"{store.path}, state {store.version()}: {f'{len(found)} things are wrong' if found else 'whole'}.")
    sys.exit(1 if found else 0)


@store_group.command()
@store_option
@click.option("--to", "target", required=True, type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
def backup(store: Store, target: Path) -> None:
    """Copy the newest state of the store to one file; the store may be in use.

    \b
    Example:
      leeway store backup --to fleet-2031-02-14.backup
    """  # noqa: D301
    store.backup(target)
    say(f"Wrote {target} ({target.stat().st_size / 1e6:.1f} MB).")


@store_group.command()
@click.argument("source", type=click.Path(path_type=Path, dir_okay=False))
@store_option
def restore(source: Path, store: Store) -> None:
    """Make a backup the newest state of the store; the state before it is kept beside it.

    \b
    Example:
      leeway store restore fleet-2031-02-14.backup
    """  # noqa: D301
    kept = store.restore(source)
    say(f"Restored {source}." + (f" The state before is kept as {kept}." if kept else ""))


@store_group.group()
def quarantine() -> None:
    """Rows that broke the contract of the drop."""


@quarantine.command("export")
@store_option
@click.option(
    "--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write to."
)
@click.option("--drop", help="Only rows of this drop (default: of all).")
@click.option("--format", "ending", type=click.Choice(["csv", "xlsx"]), default="csv", show_default=True)
def export_rows(store: Store, folder: Path, drop: str | None, ending: str) -> None:
    """Write the quarantined rows as they came, with what is wrong, to files that can be mended and loaded again.

    \b
    Example:
      leeway store quarantine export --to mend
      (mend the cells in a spreadsheet, keep the column quarantine_id)
      leeway load mend
    """  # noqa: D301
    from pipelines.store.quarantine_export import export_quarantine  # noqa: PLC0415

    written = export_quarantine(store, folder, drop=drop, ending=ending)
    for file, rows in written:
        say(f"Wrote {rows} rows to {file}.")
    if not written:
        say("Nothing is in quarantine.")
