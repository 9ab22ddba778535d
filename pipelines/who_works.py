"""Who works on the parts of a fleet, as it is said in a terminal: this process, others of this machine, a cluster."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from pipelines.errors import SettingError
from pipelines.store.folder import Store
from pipelines.terminal import say

if TYPE_CHECKING:
    from pipelines.first_stages import Progress
    from pipelines.parts.work import Runner


class WhoWorks(NamedTuple):
    """workers: Processes of this machine. memory: What each may hold. cluster: Address of a scheduler."""

    workers: int | None
    memory: str | None
    cluster: str | None

    @property
    def elsewhere(self) -> bool:
        """Whether others than this process work."""
        return bool(self.workers or self.cluster)


OPTIONS = (
    click.option(
        "--workers", type=click.IntRange(1, 256), help="Spread the parts of a large fleet over so many processes."
    ),
    click.option(
        "--memory", metavar="SIZE", help="With --workers: what each may hold, such as 4GiB; beyond it, it is ended."
    ),
    click.option(
        "--cluster", metavar="ADDRESS", help="Spread them over the workers of this Dask scheduler, tls://HOST:PORT."
    ),
)


def who_works(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that name who works; it is called with `who`.

    Raises:
        SettingError: options that contradict each other.
    """

    @wraps(command)
    def asked(*, workers: int | None, memory: str | None, cluster: str | None, **others: Any) -> None:
        if cluster and workers:
            raise SettingError("--workers and --cluster: both name who works. Give one of them.")
        if memory and not workers:
            raise SettingError("--memory: limits the processes of --workers. Give --workers too.")
        command(who=WhoWorks(workers, memory, cluster), **others)

    for option in reversed(OPTIONS):
        asked = option(asked)
    return asked


def stages() -> "Progress":
    """Says on standard error which stage a long computation has come to."""
    return lambda stage: say(f"  {stage} ...", err=True)


@contextmanager
def runner_of(store: Store, who: WhoWorks, progress: "Progress") -> "Iterator[Runner]":
    """Who works on the parts.

    Args:
        store: Whose fleet.
        who: As it was asked for.
        progress: Told each stage of each part.
    """
    from pipelines.parts.work import InThisProcess  # noqa: PLC0415

    if not who.elsewhere:
        yield InThisProcess(progress)
        return
    from pipelines.parts.spread import at, local  # noqa: PLC0415

    with local(who.workers, who.memory, progress) if who.workers else at(who.cluster or "", store, progress) as runner:
        yield runner
