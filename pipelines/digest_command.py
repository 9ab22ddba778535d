"""The command `digest`: what is new since the last one, into a file; or what must not be driven, for a pager."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipelines.command_options import store_option
from pipelines.errors import SettingError
from pipelines.store.folder import Store
from pipelines.terminal import say

if TYPE_CHECKING:
    import polars as pl

URGENT = 3  # exit code when a vehicle must not be driven
LAST = "digest_as_of"  # the store's setting: time of the analysis that the last digest told of


@click.command()
@store_option
@click.option("--to", "target", type=click.Path(path_type=Path, dir_okay=False), help="File: .html, .txt or .md.")
@click.option("--urgent", is_flag=True, help="Print only what must not be driven, and why; exit 3 when there is any.")
def digest(store: Store, target: Path | None, *, urgent: bool) -> None:
    """Tell what is new since the last digest: alarms, forecasts, verdicts, what is no longer read. One screen long.

    \b
    Examples:
      leeway digest --to digest.html
      leeway digest --urgent || page-the-manager
    """  # noqa: D301 (click reads the escape)
    from pipelines.digest import digest as digest_of  # noqa: PLC0415 (keeps --help quick)
    from pipelines.digest import must_not_be_driven  # noqa: PLC0415
    from pipelines.digest_forms import FORMS  # noqa: PLC0415
    from pipelines.store.fleet_reads import fleet_table  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415
    from pipelines.store.schema import get_setting, put_setting  # noqa: PLC0415

    if urgent:
        lines = must_not_be_driven(read_published(store, "vehicle_state"))
        say(*lines)
        sys.exit(URGENT if lines else 0)
    if target is None or target.suffix.lower() not in FORMS:
        raise SettingError(f"--to {target or 'FILE'}: ends in none of {' '.join(FORMS)}. Name a file of one of them.")
    kept = kept_as_ofs(store)
    if not kept:
        raise SettingError(f"{store.path}: nothing is analysed yet. Run: leeway analyse")
    as_of = kept[-1]
    with store.reading() as connection:
        last = get_setting(connection, LAST)
    since = datetime.fromisoformat(last) if last else None
    earlier = [at for at in kept if since is not None and at <= since]
    now = {**_tables(store, as_of), "catalogue": fleet_table(store, "corrections")}
    before = _tables(store, earlier[-1]) if earlier else {}
    told = digest_of(now, before, as_of=as_of, since=earlier[-1] if earlier else None)
    partial = target.with_name(f".{target.name}.partial")
    try:
        partial.write_text(FORMS[target.suffix.lower()](told), encoding="utf-8")
        partial.replace(target)
    except OSError as error:
        raise SettingError(f"{target}: cannot be written ({error.strerror or error}). Choose another place.") from error
    with store.writing("remember the digest", wait_s=60.0) as connection:
        put_setting(connection, LAST, as_of.isoformat())
    say(f"Wrote {sum(len(section.lines) for section in told.sections)} news to {target}.")


def _tables(store: Store, as_of: datetime) -> "dict[str, pl.DataFrame]":
    from pipelines.digest import READ  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415

    names = [name for name in READ if as_of in kept_as_ofs(store, name)]
    return {name: read_published(store, name, as_of=as_of) for name in names}
