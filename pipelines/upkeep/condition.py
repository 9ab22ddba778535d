"""How a store that is left running stands: ages, what failed, what waits for a person, sizes."""

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipelines.errors import LeewayError
from pipelines.settings_file import ServiceSettings, settings_of
from pipelines.store.connection import one_row
from pipelines.store.folder import Store
from pipelines.store.newest import newest_row
from pipelines.store.schema import columns_of
from pipelines.upkeep.due import JOBS, ended_well
from pipelines.upkeep.rotation import backups_in
from pipelines.upkeep.runs import runs

LATE = 2  # times the span after which a thing is due, beyond which it is late; judgement
HUNG = timedelta(hours=6)  # a job that runs for so long has stopped or was killed; the longest took an hour; judgement


@dataclass(frozen=True, kw_only=True)
class LastRun:
    """A job's newest run: when it began, how long it took (None: it has not ended), its exit code and what it said."""

    job: str
    began_at: datetime
    seconds: float | None
    exit_code: int | None
    said: str

    @property
    def well(self) -> bool:
        """Whether it has ended, and did what it was to do."""
        return self.exit_code is not None and ended_well(self.job, self.exit_code)


@dataclass(frozen=True, kw_only=True)
class Holds:
    """What a store holds; a time that is None: there was none.

    Attributes:
        read_at: Of the newest reading, fault or work.
        loaded_at: Of the newest load.
        analysed_at: When the newest analysis was published.
        as_of: Which it is as of.
        held_open: Held batches that were open when it was made.
        quarantined: Rows in quarantine that were not mended.
        vehicles: Vehicles of the newest analysis.
    """

    read_at: datetime | None = None
    loaded_at: datetime | None = None
    analysed_at: datetime | None = None
    as_of: datetime | None = None
    held_open: int = 0
    quarantined: int = 0
    vehicles: int = 0


@dataclass(frozen=True, kw_only=True)
class Condition:
    """How a store stands.

    Attributes:
        holds: What it holds.
        backed_up_at: When the newest backup of our rotation began; None: there is none.
        store_bytes: Of the store's folder.
        free_bytes: Left on its disk.
        last: The newest run of each job.
        runs: How many runs of each job the record has, by whether they ended well.
        troubles: What is the matter, in words; empty: all is well.
    """

    holds: Holds = Holds()
    backed_up_at: datetime | None = None
    store_bytes: int = 0
    free_bytes: int = 0
    last: tuple[LastRun, ...] = ()
    runs: tuple[tuple[str, bool, int], ...] = ()
    troubles: tuple[str, ...] = ()


def condition(store: Store, *, now: datetime) -> Condition:
    """How a store stands now; what cannot be read is a trouble, and never an error.

    Args:
        store: Of the service.
        now: The time.
    """
    try:
        settings = settings_of(store.path)
        with store.reading() as connection:
            holds = _holds(connection)
        record = runs(store.path)
    except LeewayError as error:
        return Condition(troubles=(str(error),))
    folder = Path(settings.backup.folder)
    backups = backups_in(folder) if settings.backup.folder and folder.is_dir() else {}
    backed_up_at, last = max(backups.values(), default=None), _last_runs(record)
    return Condition(
        holds=holds,
        backed_up_at=backed_up_at,
        store_bytes=sum(file.stat().st_size for file in store.path.rglob("*") if file.is_file()),
        free_bytes=shutil.disk_usage(store.path).free,
        last=last,
        runs=_counts(record),
        troubles=(*_failures(last, now), *_lateness(holds, backed_up_at, settings, now)),
    )


def _holds(connection: duckdb.DuckDBPyConnection) -> Holds:
    newest = (
        "SELECT as_of, published_at FROM publications WHERE table_name = 'vehicle_state' ORDER BY as_of DESC LIMIT 1"
    )
    as_of, analysed_at = connection.execute(newest).fetchone() or (None, None)
    held = vehicles = 0
    if as_of is not None:
        vehicles = one_row(connection, "SELECT count(*) FROM published.vehicle_state WHERE as_of = ?", [as_of])[0]
        if columns_of(connection, "held_reading", "published"):
            waits = "SELECT count(*) FROM published.held_reading WHERE as_of = ? AND decision = 'open'"
            held = one_row(connection, waits, [as_of])[0]
    aside = (
        "SELECT count(DISTINCT quarantine_id) FROM quarantine JOIN loads USING (load_id) "
        "WHERE withdrawn_at IS NULL AND mended_by IS NULL"
    )
    return Holds(
        read_at=newest_row(connection),
        loaded_at=one_row(connection, "SELECT max(loaded_at) FROM loads WHERE withdrawn_at IS NULL")[0],
        analysed_at=analysed_at,
        as_of=as_of,
        held_open=held,
        quarantined=one_row(connection, aside)[0],
        vehicles=vehicles,
    )


def _last_runs(record: pl.DataFrame) -> tuple[LastRun, ...]:
    newest = record.unique("job", keep="first", maintain_order=True)
    by_job = {row["job"]: row for row in newest.iter_rows(named=True)}
    return tuple(
        LastRun(
            job=job, began_at=row["began_at"], exit_code=row["exit_code"], said=row["said"] or "",
            seconds=(row["ended_at"] - row["began_at"]).total_seconds() if row["ended_at"] else None,
        )
        for job in JOBS if (row := by_job.get(job))
    )  # fmt: skip


def _counts(record: pl.DataFrame) -> tuple[tuple[str, bool, int], ...]:
    ended = record.filter(pl.col("ended_at").is_not_null())
    counts: dict[tuple[str, bool], int] = {}
    for job, code in ended.select("job", "exit_code").iter_rows():
        counts[job, ended_well(job, code)] = counts.get((job, ended_well(job, code)), 0) + 1
    return tuple((job, well, count) for (job, well), count in sorted(counts.items()))


def _failures(last: Sequence[LastRun], now: datetime) -> list[str]:
    told = []
    for run in last:
        if run.exit_code is not None and not run.well:
            said = run.said.splitlines()
            told.append(f"{run.job}: failed with code {run.exit_code}" + (f": {said[-1]}" if said else ""))
        elif run.exit_code is None and now - run.began_at > HUNG:
            told.append(f"{run.job}: began at {run.began_at:%Y-%m-%d %H:%M} UTC and did not end")
    return told


def _lateness(holds: Holds, backed_up_at: datetime | None, settings: ServiceSettings, now: datetime) -> list[str]:
    told = []
    waits = holds.loaded_at is not None and (holds.analysed_at is None or holds.analysed_at < holds.loaded_at)
    if waits and holds.loaded_at is not None and now - holds.loaded_at > timedelta(days=1):
        told.append("analyse: what was loaded more than a day ago is not analysed")
    most = LATE * timedelta(hours=settings.backup.every_hours)
    if settings.backup.folder and (backed_up_at is None or now - backed_up_at > most):
        told.append(f"backup: none in the last {LATE * settings.backup.every_hours:g} h")
    return told
