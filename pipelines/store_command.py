"""The commands that look after a store: check, backup, restore, convert, loads, withdraw, forget, quarantine export."""

import sys
from datetime import datetime
from pathlib import Path

import click

from pipelines.command_options import Time, store_option
from pipelines.errors import WAY_OUT
from pipelines.store.folder import Store
from pipelines.terminal import say


@click.group("store")
def store_group() -> None:
    """Look after a store: check, back up, restore, convert, take loads or publications back, mend the quarantine."""


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
    if found:
        say(f"{store.path}: {len(found)} {'thing is' if len(found) == 1 else 'things are'} wrong. {WAY_OUT}")
        sys.exit(1)
    say(f"{store.path}, state {store.version()}: whole.")


@store_group.command()
@store_option
@click.option("--to", "target", required=True, type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
def backup(store: Store, target: Path) -> None:
    """Copy the newest state of the store to one file; the store may be in use.

    The copy is read wholly before it counts, so a damaged store gives none.

    \b
    Example:
      leeway store backup --to fleet-2031-02-14.backup
    """  # noqa: D301
    from pipelines.store.backup import back_up  # noqa: PLC0415

    back_up(store, target)
    say(f"Wrote {target} ({target.stat().st_size / 1e6:.1f} MB).")


@store_group.command()
@click.argument("source", required=False, type=click.Path(path_type=Path, dir_okay=False))
@store_option
def restore(source: Path | None, store: Store) -> None:
    """Make a backup the newest state of the store, or the newest whole state that still lies in its folder.

    The state before it is kept as before-restore-N.duckdb until the next restore. What people entered since a backup
    stays; what it has beside is added.

    \b
    Examples:
      leeway store restore fleet-2031-02-14.backup
      leeway store restore
    """  # noqa: D301
    from pipelines.store.backup import restore as run  # noqa: PLC0415

    done = run(store, source)
    if done is None:
        say(f"{store.path}, state {store.version()}: whole, nothing was done.")
        return
    if done.record_aside:
        say(f"What people entered was damaged: what could be read of it goes on, the rest is in {done.record_aside}.")
    if done.source:
        say(f"Restored {done.source}." + (f" The state before is kept as {done.kept}." if done.kept else ""))
    if done.entries:
        say(f"{done.entries} entries came back; those made since the backup stay.")
    if done.files:
        say(f"Came back too: {', '.join(done.files)}.")


@store_group.command()
@click.argument("source", type=click.Path(path_type=Path, file_okay=False))
@click.argument("target", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--buckets", type=click.IntRange(1, 4096), help="Among how many the vehicles of a family are spread (by number)."
)
@click.option("--tables", metavar="ADDRESS", help="Object store for the tables' files: s3://BUCKET/FOLDER.")
def convert(source: Path, target: Path, buckets: int | None, tables: str | None) -> None:
    """Make a store of the other kind: partitioned tables of one file, or one file of partitioned tables.

    One file is right until a fleet outgrows a machine. Every command works on both, and knows by what lies in the
    folder. SOURCE stays as it is. With --tables the rows lie in an object store, all else in TARGET; who may use it is
    said by the environment (AWS_ACCESS_KEY_ID and the like), whenever the store is used.

    \b
    Examples:
      leeway store convert fleet.store /share/fleet.store
      leeway store convert fleet.store /share/fleet.store --tables s3://fleet/leeway
    """  # noqa: D301
    from pipelines.store.conversion import convert as run  # noqa: PLC0415

    done = run(Store(source), Store(target), buckets=buckets, tables=tables)
    kind = "partitioned tables" if done.partitioned else "one file a state"
    beside = f", and {done.entries} entries" if done.entries else ""
    where = f", files at {tables}" if tables else ""
    say(f"Wrote {target}: {kind}{where}, with everything that {source} has{beside}. Name it with --store.")


@store_group.command()
@store_option
def loads(store: Store) -> None:
    """List what was loaded, newest first: its number, when, drop and file, table, rows, and whether it was withdrawn.

    \b
    Example:
      leeway store loads
    """  # noqa: D301
    from pipelines.store.published import load_reports  # noqa: PLC0415

    for row in load_reports(store).iter_rows(named=True):
        what = f"{row['drop_name']}/{row['file']}, {row['table_name']}, {row['row_count']} rows"
        gone = f", withdrawn {row['withdrawn_at']:%Y-%m-%d %H:%M}" if row["withdrawn_at"] else ""
        say(f"{row['load_id']:>6}  {row['loaded_at']:%Y-%m-%d %H:%M}  {what}{gone}")


@store_group.command()
@click.argument("names", nargs=-1, required=True, metavar="LOAD...")
@store_option
def withdraw(names: tuple[str, ...], store: Store) -> None:
    """Take back what loads brought; what it had replaced stands again, and the same files may be loaded again.

    LOAD is a number of `leeway store loads`, or the name of a drop for all its files. An analysis with --known-at
    before the withdrawal still sees the rows.

    \b
    Examples:
      leeway store withdraw 17
      leeway store withdraw 2031-02
    """  # noqa: D301
    from pipelines.store.withdrawal import withdraw as run  # noqa: PLC0415

    done = run(store, names)
    for row in done.loads.iter_rows(named=True):
        what = f"{row['drop_name']}/{row['file']}, {row['table_name']}, {row['row_count']} rows"
        say(f"Withdrew {row['load_id']}: {what}.")
    say(
        f"{done.gone} rows do not stand any more, {done.back} stand in their place. "
        "What is published is as it was: leeway analyse."
    )


@store_group.command()
@click.argument("as_of", type=Time())
@store_option
def forget(as_of: datetime, store: Store) -> None:
    """Take away what was published as of a time: all its tables.

    \b
    Example:
      leeway store forget 2031-02-14T08:30:00Z
    """  # noqa: D301
    from pipelines.store.publish import forget as run  # noqa: PLC0415

    names = run(store, as_of)
    say(f"Took away {len(names)} tables as of {as_of:%Y-%m-%dT%H:%M:%SZ}: {', '.join(names)}.")


@store_group.command()
@click.argument("looks_like")
@click.argument("place")
@click.argument("answer", type=click.Choice(["convert", "keep", "leave_out", "ask"]))
@store_option
def answer(store: Store, looks_like: str, place: str, answer: str) -> None:
    """Answer beforehand for a depot or a reader: its readings that look like LOOKS_LIKE are always so.

    Counts in the next analysis, for batches that nobody decides otherwise; 'ask' takes it back.

    \b
    Example:
      leeway store answer fraction reader-7 convert
    """  # noqa: D301
    from pipelines.store.held_answers import answer_beforehand  # noqa: PLC0415

    answer_beforehand(store, looks_like, place, answer)
    say(f"Readings of {place} that look like {looks_like}: {answer}. Counts in the next analysis.")


@store_group.command("forget-name")
@click.argument("name")
@store_option
def forget_name(name: str, store: Store) -> None:
    """Take a person's NAME out of the list of names; what they entered stays, under a key that says nothing.

    \b
    Example:
      leeway store forget-name 'Anna Berg'
    """  # noqa: D301
    from pipelines.errors import StoreError  # noqa: PLC0415
    from pipelines.store.entries import entries_file  # noqa: PLC0415
    from pipelines.store.entries import forget_name as run  # noqa: PLC0415

    keys = run(store, name) if entries_file(store).exists() else []
    if not keys:
        raise StoreError(f"{store.path}: nobody on the list of names is called '{name}'. Nothing was changed.")
    say(f"Took the name out: the entries of {', '.join(keys)} stay. Backups made before still have it.")


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
