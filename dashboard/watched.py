"""What watchers from outside ask: `/health`, and figures in the Prometheus text format at `/metrics`."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from dashboard.hosts import is_this_machine
from pipelines.store.folder import Store
from pipelines.upkeep.condition import Condition, condition

TEXT_FORMAT = "text/plain; version=0.0.4; charset=utf-8"


def routes(store: Store, watchers: Sequence[str]) -> list[BaseRoute]:
    """The two addresses; neither asks who calls, and neither names a vehicle or a person.

    Args:
        store: Whose condition is told.
        watchers: Network addresses that may ask for figures, beside this machine.
    """

    async def health(request: Request) -> Response:
        stands = await run_in_threadpool(condition, store, now=datetime.now(UTC))
        well = not stands.troubles
        told: dict[str, Any] = {"status": "ok" if well else "failing", "version": version("leeway")}
        if _may_ask(request, watchers):
            told["troubles"] = list(stands.troubles)
        return JSONResponse(told, status_code=200 if well else 503)

    async def metrics(request: Request) -> Response:
        if not _may_ask(request, watchers):
            return PlainTextResponse(
                "Figures are for this machine and those that the settings name.\n", status_code=403
            )
        stands = await run_in_threadpool(condition, store, now=datetime.now(UTC))
        return Response(figures(stands, now=datetime.now(UTC)), media_type=TEXT_FORMAT)

    return [Route("/health", health), Route("/metrics", metrics)]


def _may_ask(request: Request, watchers: Sequence[str]) -> bool:
    """Whether the caller is this machine, by itself and for nobody else, or is named as a watcher."""
    caller = request.client.host if request.client else ""
    forwarded = any(name in request.headers for name in ("forwarded", "x-forwarded-for", "x-real-ip"))
    return caller in watchers or (is_this_machine(caller) and not forwarded)


def figures(stands: Condition, *, now: datetime) -> bytes:
    """The figures of a store's condition, in the Prometheus text format."""
    registry = CollectorRegistry()
    registry.register(_Figures(stands, now))
    return generate_latest(registry)


class _Figures(Collector):
    """Collects the figures of one condition."""

    def __init__(self, stands: Condition, now: datetime) -> None:
        self.stands, self.now = stands, now

    def collect(self) -> Iterator[Metric]:
        """Each figure, with its unit in its name."""
        stands, holds = self.stands, self.stands.holds
        yield _gauge("up", "1: the store can be read and nothing is the matter.", float(not stands.troubles))
        ages = {
            "reading": holds.read_at, "load": holds.loaded_at, "analysis": holds.analysed_at,
            "backup": stands.backed_up_at,
        }  # fmt: skip
        for name, at in ages.items():
            if at is not None:
                yield _gauge(f"{name}_age_seconds", f"Age of the newest {name}.", (self.now - at).total_seconds())
        yield _gauge("vehicles", "Vehicles of the newest analysis.", holds.vehicles)
        yield _gauge("held_batches_open", "Held batches that were open at the newest analysis.", holds.held_open)
        yield _gauge("quarantined_rows", "Rows in quarantine that were not mended.", holds.quarantined)
        yield _gauge("store_bytes", "Size of the store's folder.", stands.store_bytes)
        yield _gauge("disk_free_bytes", "Left on the store's disk.", stands.free_bytes)
        took = GaugeMetricFamily("leeway_job_seconds", "How long a job's newest run took.", labels=["job"])
        for run in stands.last:
            if run.seconds is not None:
                took.add_metric([run.job], run.seconds)
        yield took
        count = GaugeMetricFamily("leeway_job_runs", "Runs of a job in the record.", labels=["job", "ended"])
        for job, well, runs in stands.runs:
            count.add_metric([job, "well" if well else "failed"], runs)
        yield count


def _gauge(name: str, meaning: str, value: float) -> Metric:
    return GaugeMetricFamily(f"leeway_{name}", meaning, value=value)
