"""One round of upkeep: every job that is due, in order, each a command of its own; killed at any time, nothing is lost.

A job is a process: what it takes of memory goes back, and one that dies takes no other with it. Each of them is whole
or did nothing; what was done but not written down yet is done again, which changes nothing.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from pipelines.errors import LeewayError
from pipelines.settings_file import ServiceSettings
from pipelines.store.acts import forget_acts
from pipelines.store.folder import Store
from pipelines.store.lock import writers_lock
from pipelines.upkeep.due import JOBS, Job, due, ended_well
from pipelines.upkeep.rotation import backups_in, to_remove
from pipelines.upkeep.runs import FOLDER, begin, end

CANNOT = 2  # exit code of a job that could not even be looked at


@dataclass(frozen=True, kw_only=True)
class Done:
    """What became of a job: how it ended, what it said, and how long it took."""

    job: str
    exit_code: int
    said: tuple[str, ...]
    seconds: float

    @property
    def well(self) -> bool:
        """Whether it did what it was to do."""
        return ended_well(self.job, self.exit_code)


Run = Callable[[Sequence[str]], tuple[int, list[str]]]


def tend(store: Store, settings: ServiceSettings, run: Run) -> Iterator[Done]:
    """Do what is due; each job is given when it is done.

    Args:
        store: To be tended; it need not exist yet.
        settings: What is set.
        run: Runs one command of ours, and gives its exit code and what it said.

    Raises:
        LockedError: another round is at work.
        StoreError: the record of upkeep cannot be written.
    """
    folder = store.path / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with writers_lock(folder / "lock", who="upkeep", wait_s=0.0):
        failed: set[str] = set()
        for name in JOBS:
            for done in _all_due(name, store, settings, run, failed):
                if not done.well:
                    failed.add(name)
                yield done
        forget_acts(store, days=settings.log.keep_days)


def _all_due(name: str, store: Store, settings: ServiceSettings, run: Run, failed: set[str]) -> Iterator[Done]:
    try:
        for job in due(name, store, settings, now=datetime.now(UTC)):
            if job.needs not in failed:
                yield _written_down(job, store, settings, run)
                if name == "backup":
                    _rotate(settings)
    except LeewayError as error:
        said = str(error)
        yield _written_down(Job(name=name, arguments=()), store, settings, lambda _: (CANNOT, [said]))


def _written_down(job: Job, store: Store, settings: ServiceSettings, run: Run) -> Done:
    began = datetime.now(UTC)
    number = begin(store.path, job.name, version=version("leeway"), settings_digest=settings.digest())
    if job.name == "backup":
        Path(settings.backup.folder).mkdir(parents=True, exist_ok=True)
    code, said = run(job.arguments)
    end(store.path, number, exit_code=code, said="\n".join(said), taken=job.takes)
    return Done(job=job.name, exit_code=code, said=tuple(said), seconds=(datetime.now(UTC) - began).total_seconds())


def _rotate(settings: ServiceSettings) -> None:
    """Take away the backups that no day, week or month keeps."""
    for file in to_remove(backups_in(Path(settings.backup.folder)), settings.backup):
        file.unlink(missing_ok=True)
