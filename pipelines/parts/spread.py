"""Parts of an analysis on other processes: those of this machine, or of a cluster that somebody runs; by Dask.

Dask sends a part again where its worker died, and makes anew what died with it. What is added here: a scheduler that
answers nobody, or stops answering, is noticed; what differs between here and the workers is named before work begins;
no port is open to others without TLS; and each trouble is one line.

Source: Rocklin (2015), Dask: parallel computation with blocked algorithms and task scheduling, Proc. 14th Python in
Science Conf.
"""

import asyncio
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

from pipelines.errors import LeewayError, SettingError
from pipelines.first_stages import Progress
from pipelines.parts.versions import differing, versions
from pipelines.store.folder import Store

try:
    import dask
    import distributed
    from dask.utils import parse_bytes
    from distributed.client import FutureCancelledError
except ImportError as error:
    raise SettingError(
        "--workers and --cluster need more than is installed: pip install 'leeway[cluster]' (it brings Dask)."
    ) from error

ANSWERS_IN = 8.0  # seconds that a scheduler has to answer: one at work answers in milliseconds; judgement
ASKED_EVERY = 5.0  # seconds between two questions whether it still does; judgement
HANGS_AFTER = 30.0  # seconds without an answer, from which it counts as gone: it may be busy for some; judgement
HUNG_AFTER = 60.0  # seconds without a sign of life, after which a process of this machine is done without; judgement
TOPIC = "leeway"  # under which workers tell their stages: definition
LOOPBACK = ("127.0.0.1", "localhost", "::1")
DEATHS = 3  # of its worker that a part may see: more is its own doing, as a rule too much memory; judgement

Result = TypeVar("Result")


class ClusterError(LeewayError):
    """A cluster that is not there, is not alike, or broke down; what was published before still stands."""


@contextmanager
def local(workers: int, memory: str | None, progress: Progress) -> "Iterator[Spread]":
    """So many processes of this machine.

    Args:
        workers: How many.
        memory: What each may hold, as people write it; None: its share of the machine.
        progress: Told each stage of each part.

    Raises:
        SettingError: `memory` is no size.
    """
    try:
        limit = "auto" if memory is None else parse_bytes(memory)
    except ValueError as error:
        raise SettingError(f"--memory: {memory} is no size. Write it as 4GiB or 800MB.") from error
    threads = max((os.cpu_count() or 1) // workers, 1)
    one = dict.fromkeys(("POLARS_MAX_THREADS", "NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    settings = {
        # Giving memory back to the system at each megabyte makes arrays of that size more than twice as slow.
        "distributed.nanny.pre-spawn-environ": {"MALLOC_TRIM_THRESHOLD_": None, "LEEWAY_THREADS": str(threads), **one},
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        "distributed.scheduler.allowed-failures": DEATHS,
        "distributed.scheduler.worker-ttl": f"{HUNG_AFTER:.0f} s",
    }
    with dask.config.set(settings):
        cluster = distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, memory_limit=limit, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", worker_dashboard_address="127.0.0.1:0", silence_logs="CRITICAL",
        )  # fmt: skip
        with cluster, distributed.Client(cluster, set_as_default=False) as client:
            yield Spread(client, "the processes of this machine", progress, memory)


@contextmanager
def at(address: str, store: Store, progress: Progress) -> "Iterator[Spread]":
    """The workers of a scheduler that somebody runs.

    Args:
        address: `tls://HOST:PORT`, with certificates as Dask is set to use them; `tcp://` on this machine alone.
        store: That its workers must be able to read, at the same path.
        progress: Told each stage of each part.

    Raises:
        SettingError: the address is none, or is open to whoever reaches it.
        ClusterError: nobody answers there, or what answers cannot do this work.
    """
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    if parts.scheme not in {"tls", "tcp"} or not parts.hostname:
        raise SettingError(f"--cluster: {address} is no address. Write it as tls://HOST:8786.")
    if parts.scheme == "tcp" and parts.hostname not in LOOPBACK:
        raise SettingError(
            f"--cluster: {address} is open: whoever reaches the port runs code there. Use tls://, set up as Dask's "
            "distributed.comm.tls says; without it on this machine alone."
        )
    where = parts.geturl()
    silent = f"--cluster: nobody answers as a Dask scheduler at {where}. Is it running, and this its address?"
    _answered(lambda: asyncio.run(_called(where)), ANSWERS_IN, silent)
    client = _answered(
        lambda: distributed.Client(where, timeout=ANSWERS_IN, set_as_default=False), ANSWERS_IN, silent
    )  # fmt: skip
    try:
        _checked(client, where, store)
        progress(f"cluster {where}, dashboard {client.dashboard_link}")
        yield Spread(client, where, progress, None)
    finally:
        with suppress(ClusterError):  # a scheduler that is gone needs no goodbye
            _answered(client.close, ANSWERS_IN, "no answer")


async def _called(where: str) -> None:
    """Whether somebody picks up, before anything is made that would have to be closed."""
    security = distributed.Security().get_connection_args("client")
    comm = await asyncio.wait_for(distributed.comm.connect(where, timeout=ANSWERS_IN, **security), ANSWERS_IN)
    await comm.close()


def _answered(ask: Callable[[], Result], seconds: float, otherwise: str) -> Result:
    """What is asked, in a thread that is left behind if no answer comes: handshakes know no end of their own."""
    answer: list[Result] = []
    trouble: list[BaseException] = []

    def asking() -> None:
        try:
            answer.append(ask())
        except BaseException as error:
            trouble.append(error)

    thread = threading.Thread(target=asking, daemon=True)
    thread.start()
    thread.join(seconds + 2.0)
    if not answer:
        raise ClusterError(otherwise) from (trouble[0] if trouble else None)
    return answer[0]


def _checked(client: Any, where: str, store: Store) -> None:
    """Refuse a cluster whose scheduler or workers differ from what runs here, or that cannot see the store."""
    own = client.get_versions()["client"]["packages"]
    theirs = client.get_versions()["scheduler"]["packages"]
    names = ("python", "dask", "distributed")
    if differs := differing({name: own[name] for name in names}, theirs):
        raise ClusterError(f"{where}: its scheduler has {differs}. Install the same release on both sides.")
    if not client.scheduler_info(n_workers=-1)["workers"]:
        raise ClusterError(f"{where}: has no worker. Start some: dask worker {where}")
    state = store.version()
    try:
        seen = client.run(_seen, str(store.path.absolute()), on_error="return")
    except Exception as error:
        raise ClusterError(f"{where}: its workers cannot be asked ({error}). Is Leeway installed on them?") from error
    for worker, said in seen.items():
        if isinstance(said, BaseException):
            raise ClusterError(f"{where}: worker {worker} cannot run Leeway ({said}). Install the same release there.")
        if differs := differing(versions(), said[0]):
            raise ClusterError(f"{where}: worker {worker} has {differs}. Install the same release on both sides.")
        if said[1] != state:
            raise ClusterError(
                f"{where}: worker {worker} does not see this store at {store.path.absolute()}. "
                "Put it on a share that all of them have at the same path."
            )


def _seen(path: str) -> tuple[dict[str, str], int]:
    """On a worker: its versions, and the state of the store that it sees; 0: none."""
    return versions(), Store(Path(path)).version() if Path(path).is_dir() else 0


class Spread:
    """As `work.Runner`: on the workers of a client; `hands`: as many as there are."""

    def __init__(self, client: Any, where: str, progress: Progress, memory: str | None) -> None:
        self.client, self.where, self.memory = client, where, memory
        self.hands = max(len(client.scheduler_info(n_workers=-1)["workers"]), 1)
        client.subscribe_topic(TOPIC, lambda event: progress(event[1]))

    def start(self, work: Callable[..., Any], *arguments: object) -> Any:
        """As `Runner.start`: what dies with its worker is done again."""
        return self.client.submit(_there, work, *arguments, pure=False)

    def results(self, started: list[Any]) -> Iterator[Any]:
        """As `Runner.results`; a worker lets go of what was fetched.

        Raises:
            ClusterError: a part ended its workers, or the scheduler is gone or hangs.
        """
        of = len(started)
        while started:
            yield self._result(started.pop(0), f"part {of - len(started)} of {of}")

    def _result(self, future: Any, named: str) -> Any:
        gone = (
            f"{self.where}: the scheduler is gone, or answers no more. What was published before still stands; start "
            "it, and analyse again."
        )
        while True:
            try:
                return future.result(timeout=ASKED_EVERY)
            except TimeoutError:
                if future.status == "error":  # the work itself ran out of time
                    raise
                _answered(lambda: self.client.sync(self.client.scheduler.identity), HANGS_AFTER, gone)
            except distributed.KilledWorker as error:
                held = f" than --memory {self.memory}" if self.memory else " than there is"
                raise ClusterError(
                    f"{self.where}: {named} ended its worker {DEATHS + 1} times, as a rule because it needs more "
                    f"memory{held}. Give each worker more, or have fewer of them."
                ) from error
            except (FutureCancelledError, OSError) as error:
                raise ClusterError(gone) from error


def _there(work: Callable[..., Any], *arguments: object) -> Any:
    """On a worker: the work, which tells its stages to whoever waits for it."""
    worker = distributed.get_worker()
    return work(lambda stage: worker.log_event(TOPIC, f"{stage} ({worker.name})"), *arguments)
