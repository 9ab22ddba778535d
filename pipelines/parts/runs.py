"""States alone, and forecasts of the past with what became of them, of a fleet in parts: as `work` does the whole."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import polars as pl

from pipelines.analyse import FirstLearned, KnownToForecast, forecasts_of, states_of
from pipelines.backtest import Made
from pipelines.first_stages import Progress
from pipelines.forecast.outcomes import Record, record_of
from pipelines.history.reconstruct import reconstruct
from pipelines.parts.work import Job, Plan, Runner

Known = TypeVar("Known")
First = tuple[pl.DataFrame, Known]


def states_in_parts(
    plan: Plan, runner: Runner, *, ranked_before: pl.DataFrame | None = None, progress: Progress = lambda _stage: None
) -> pl.DataFrame:
    """The `correction_state` of a whole fleet.

    Args:
        plan: What to do.
        runner: Who works on the parts.
        ranked_before: The `cause_ranking` of the last analysis, which is heard; None: none is kept.
        progress: Called as each part begins to be waited for.
    """

    def ranked(vehicle_ids: Sequence[str]) -> pl.DataFrame | None:
        ours = pl.col("vehicle_id").is_in(list(vehicle_ids))
        return None if ranked_before is None else ranked_before.filter(ours)

    frames = _by_first(plan, runner, _states, ranked, progress)
    return pl.concat(frames).sort("vehicle_id", maintain_order=True)


def forecasts_in_parts(plan: Plan, runner: Runner) -> Callable[[], Made]:
    """The forecasts of a whole fleet, as `backtest` scores them: begun now, there when they are asked for.

    Args:
        plan: What to do, as of a past date.
        runner: Who works on the parts.
    """
    frames = _by_first(plan, runner, _forecasts, lambda _vehicle_ids: None)
    return lambda: Made(frame=pl.concat(frames).sort("vehicle_id", maintain_order=True), evidence=plan.evidence)


def record_in_parts(plan: Plan, runner: Runner) -> Record:
    """What became of all vehicles, as it is known now.

    Args:
        plan: As of now.
        runner: Who works on the parts.
    """
    started = [runner.start(_record, plan.job_of(part), part) for part in plan.parts]
    return Record.together(list(runner.results(started)))


def _by_first(
    plan: Plan,
    runner: Runner,
    work: Callable[..., tuple[pl.DataFrame, Any]],
    beside: Callable[[Sequence[str]], pl.DataFrame | None],
    progress: Progress = lambda _stage: None,
) -> Iterator[pl.DataFrame]:
    """What work gives of each part, the first of which teaches the others; `beside`: what else a part needs.

    It is begun at once, and waited for as it is asked for.
    """
    first, *others = plan.parts
    taught = runner.start(work, plan.job_of(first), first, beside(first), None)
    known = runner.start(_known, taught)
    started = [taught, *(runner.start(work, plan.job_of(part), part, beside(part), known) for part in others)]

    def waited_for() -> Iterator[pl.DataFrame]:
        results = runner.results(started)
        for place, vehicle_ids in enumerate(plan.parts, start=1):
            if others:
                progress(f"part {place} of {len(plan.parts)}, {len(vehicle_ids)} vehicles")
            yield next(results)[0]

    return waited_for()


def _known(_told: Progress, taught: First[Any]) -> Any:
    return taught[1]


def _states(
    told: Progress, job: Job, vehicle_ids: Sequence[str], ranked: pl.DataFrame | None, known: FirstLearned | None
) -> First[FirstLearned]:
    told("reading")
    evidence = job.source.of(vehicle_ids, job.whole)
    return states_of(evidence, settings=job.settings, known=known, ranked_before=ranked, progress=told)


def _forecasts(
    told: Progress, job: Job, vehicle_ids: Sequence[str], _beside: None, known: KnownToForecast | None
) -> First[KnownToForecast]:
    told("reading")
    evidence = job.source.of(vehicle_ids, job.whole)
    made, known = forecasts_of(evidence, settings=job.settings, known=known, progress=told)
    return Made.of(made, evidence).frame, known


def _record(told: Progress, job: Job, vehicle_ids: Sequence[str]) -> Record:
    told("reading")
    evidence = job.source.of(vehicle_ids, job.whole)
    return record_of(evidence, reconstruct(evidence))
