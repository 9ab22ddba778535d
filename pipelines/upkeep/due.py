"""What is due in a store, and as which commands: new files, a new analysis, a plan, what is new, a backup, a check."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.settings_file import ServiceSettings
from pipelines.store.entries import entries_file
from pipelines.store.folder import Store
from pipelines.upkeep.inbox import MOST_AT_ONCE, files_in, to_take_up
from pipelines.upkeep.rotation import backup_name, backups_in
from pipelines.upkeep.runs import Seen, runs, taken_up

SOME_SET_ASIDE = 3  # exit code of a load: it is done, and something waits for a person


@dataclass(frozen=True, kw_only=True)
class Job:
    """One command that is due.

    name: What it does, as the record of upkeep calls it.
    arguments: Of `leeway`, without the store.
    takes: Files that it takes up.
    needs: A job that must not have failed in the same round.
    """

    name: str
    arguments: tuple[str, ...]
    takes: tuple[Seen, ...] = ()
    needs: str = ""


JOBS = ("load", "analyse", "plan", "digest", "backup", "check")


def due(name: str, store: Store, settings: ServiceSettings, *, now: datetime) -> Iterator[Job]:
    """The jobs of one name that are due now; asked for when those before it are done.

    Args:
        name: Of JOBS.
        store: To be tended.
        settings: What is set.
        now: The time.

    Raises:
        LeewayError: a watched folder is not there, or the store or the record of upkeep cannot be read.
    """
    if name == "load":
        yield from _loads(store, settings, now)
    elif store.exists():
        yield from _of_a_store(name, store, settings, now)


def _loads(store: Store, settings: ServiceSettings, now: datetime) -> Iterator[Job]:
    new = to_take_up(
        files_in(settings.inbox), taken_up(store.path), settle_seconds=settings.inbox.settle_seconds, now=now
    )
    for first in range(0, len(new), MOST_AT_ONCE):
        files = tuple(new[first : first + MOST_AT_ONCE])
        yield Job(name="load", arguments=("load", "--yes", *(each.path for each in files)), takes=files)


def _of_a_store(name: str, store: Store, settings: ServiceSettings, now: datetime) -> Iterator[Job]:
    analysed, planned = _knew_until(store, "vehicle_state", "analyse"), _knew_until(store, "work_plan", "plan")
    if name == "analyse" and _later(_changed_at(store), analysed):
        yield Job(name="analyse", arguments=("analyse",), needs="load")
    if name == "plan" and analysed and (_later(analysed, planned) or _later(_entered_at(store), planned)):
        yield Job(name="plan", arguments=("plan",), needs="analyse")
    if name == "digest" and settings.tend.digest and _later(analysed, _last_success(store.path, "digest")):
        yield Job(name="digest", arguments=("digest", "--to", settings.tend.digest), needs="analyse")
    if name == "backup" and settings.backup.folder:
        yield from _backup(settings, now)
    if name == "check":
        last = _last_success(store.path, "check")
        if last is None or now - last >= timedelta(days=settings.tend.check_every_days):
            yield Job(name="check", arguments=("store", "check"))


def _backup(settings: ServiceSettings, now: datetime) -> Iterator[Job]:
    folder = Path(settings.backup.folder)
    newest = max(backups_in(folder).values(), default=None) if folder.is_dir() else None
    if newest is None or now - newest >= timedelta(hours=settings.backup.every_hours):
        yield Job(name="backup", arguments=("store", "backup", "--to", str(folder / backup_name(now))))


def _knew_until(store: Store, table: str, job: str) -> datetime | None:
    """Until when a table that is published can know what came: when its job began; by hand: when it was published."""
    with store.reading() as connection:
        row = connection.execute("SELECT max(published_at) FROM publications WHERE table_name = ?", [table]).fetchone()
    published: datetime | None = row[0] if row else None
    if published is None:
        return None
    own = runs(store.path).filter(
        (pl.col("job") == job) & (pl.col("began_at") <= published) & (published <= pl.col("ended_at"))
    )
    began: datetime | None = own.get_column("began_at").max()  # type: ignore[assignment]
    return began or published


def _changed_at(store: Store) -> datetime | None:
    """When the store last got or lost rows, by a load, a withdrawal or an entry; None: it holds none."""
    with store.reading() as connection:
        row = connection.execute(
            "SELECT max(greatest(coalesce(withdrawn_at, loaded_at), loaded_at)) FROM loads WHERE loaded + replaced > 0"
        ).fetchone()
    loaded = row[0] if row else None
    entered = _entered_at(store)
    return max((at for at in (loaded, entered) if at is not None), default=None) if loaded else None


def _entered_at(store: Store) -> datetime | None:
    """When something was entered last; None: nothing was."""
    from pipelines.store.entries import read_entries  # noqa: PLC0415 - only where there are some

    newest: datetime | None = None
    if entries_file(store).exists():
        newest = read_entries(store).get_column("entered_at").max()  # type: ignore[assignment]
    return newest


def _last_success(folder: Path, job: str) -> datetime | None:
    """When a job was last begun that ended well."""
    done = runs(folder).filter((pl.col("job") == job) & (pl.col("exit_code") == 0)).get_column("began_at")
    newest: datetime | None = done.max()  # type: ignore[assignment]
    return newest


def _later(one: datetime | None, other: datetime | None) -> bool:
    """Whether there is one, and it is later than the other, or the other is not there."""
    return one is not None and (other is None or one > other)


def ended_well(job: str, exit_code: int) -> bool:
    """Whether a job did what it was to do; a load that put rows into quarantine did."""
    return exit_code == 0 or (job == "load" and exit_code == SOME_SET_ASIDE)


def failed_jobs(done: Sequence[tuple[str, int]]) -> list[str]:
    """Names of the jobs of a round that did not end well, in their order."""
    return [name for name, code in done if not ended_well(name, code)]
