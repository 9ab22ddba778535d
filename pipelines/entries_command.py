"""The command `enter`: a file of entries, or standard input, into the record of what people enter."""

import getpass
import os
import sys
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipelines.command_options import Time, store_option
from pipelines.store.folder import Store
from pipelines.terminal import say

if TYPE_CHECKING:
    from pipelines.store.entries import Appended

REFUSED = 3  # exit code when a row was refused
MOST_LISTED = 20  # rows entered that are listed one by one


@click.command()
@click.argument("source", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True), metavar="FILE")
@store_option
@click.option("--entered-at", type=Time(), hidden=True, help="When it was entered; for replaying the past.")
def enter(source: Path, store: Store, entered_at: datetime | None) -> None:
    """Enter what people know: decisions, visits, results of checks, typed readings, notes, sign-offs.

    FILE is CSV or NDJSON (`-`: standard input) with columns who, kind, vehicle_id, subject, value, until, detail,
    withdraws, client_key, as far as a row needs them. Nothing is overwritten: an entry is taken back by another that
    names it in withdraws. Entries count with the next analysis. Exit code: 0 all entered; 3 a row was refused, with its
    reason; 2 nothing could be read.

    \b
    Examples:
      leeway enter decisions.csv --store fleet.store
      echo '{"kind": "note", "subject": "fleet", "value": "new fuel supplier"}' | leeway enter -
      echo '{"kind": "visit", "vehicle_id": "WC-104", "value": "put_off", "until": "2031-03-01"}' | leeway enter -
    """  # noqa: D301 (click reads the escape)
    from pipelines.entries.entry import Entry, Refusal  # noqa: PLC0415 (keeps --help quick)
    from pipelines.errors import DropError  # noqa: PLC0415
    from pipelines.intake.entries import read_entry_rows  # noqa: PLC0415
    from pipelines.store.entering import enter as enter_rows  # noqa: PLC0415
    from pipelines.store.entries import Appended  # noqa: PLC0415

    name = "standard input" if str(source) == "-" else source.name
    try:
        with click.open_file(str(source), "rb") as stream:
            found = read_entry_rows(stream, name, who=_system_user())
    except OSError as error:
        text = f"{source}: {error.strerror or error}. Name a file of entries, or - for standard input."
        raise DropError(text) from error
    entries = [entry for _, entry in found.rows if isinstance(entry, Entry)]
    became = iter(enter_rows(store, entries, entered_at=entered_at))
    outcomes = [
        (row, Appended(refusal=entry) if isinstance(entry, Refusal) else next(became)) for row, entry in found.rows
    ]
    if found.extra:
        say(f"{name}: kept out, not columns of an entry: {', '.join(found.extra)}.")
    for line in _lines(name, outcomes):
        say(line)
    sys.exit(REFUSED if any(outcome.refusal for _, outcome in outcomes) else 0)


def _lines(name: str, outcomes: Sequence[tuple[int, "Appended"]]) -> Iterator[str]:
    """A line for each row that was refused, is unusual or was entered before, for the first others, and the sums."""
    refused = sum(outcome.refusal is not None for _, outcome in outcomes)
    again = sum(outcome.already for _, outcome in outcomes)
    new = [(row, outcome) for row, outcome in outcomes if outcome.entry_id and not outcome.already]
    for row, outcome in outcomes:
        yield from (f"{name}, row {row}, {remark}." for remark in outcome.remarks)
        if outcome.refusal:
            yield f"{name}, row {row}, {outcome.refusal}; refused."
        elif outcome.already:
            yield f"{name}, row {row}: its client_key was taken before, by {outcome.entry_id}; nothing new."
        elif len(new) <= MOST_LISTED:
            yield f"{name}, row {row}: entered as {outcome.entry_id}."
    repeated = f", {again} entered before" if again else ""
    yield f"Entered {len(new)}{repeated}, refused {refused}. What is entered counts with the next analysis."


def _system_user() -> str:
    """Name of the system's user, or their number where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user-{os.getuid()}"
