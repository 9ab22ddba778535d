"""The plan of an analysis of a fleet in parts: the first part teaches, the others are judged by it, all are joined.

A runner says who works on the parts: this process, others of this machine, or a cluster. The stages know none of it,
and the tables are the same whoever did, since the parts follow from the fleet and are joined in their order.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

from pipelines.analyse import Known, Part, of_fleet, of_vehicles
from pipelines.causes.ranking import UsualCauses, usual_causes
from pipelines.first_stages import Progress
from pipelines.handover import Analysis, Evidence, WholeFleet
from pipelines.parts.costs import Cost, measured
from pipelines.parts.joining import Joining
from pipelines.parts.parting import MOST_CELLS, parted
from pipelines.parts.readings import EvidenceSource
from pipelines.settings import Settings
from pipelines.shown import Shown


@dataclass(frozen=True, kw_only=True)
class Job:
    """What all parts of an analysis need."""

    source: EvidenceSource
    whole: WholeFleet | None
    usual: UsualCauses
    settings: Settings


class Runner(Protocol):
    """Who does work: functions of this project on small arguments, each of them told what to say its stages to."""

    @property
    def hands(self) -> int:
        """How many pieces of work go on at once."""

    def start(self, work: Callable[..., Any], *arguments: object) -> Any:
        """The work's result to be, as soon as somebody has time; it may be an argument of later work."""

    def results(self, started: list[Any]) -> Iterator[Any]:
        """The results, in this order, each as soon as it and those before it are there; `started` is emptied."""


class InThisProcess:
    """One after the other, here, when the result is asked for."""

    hands = 1

    def __init__(self, progress: Progress = lambda _stage: None) -> None:
        self.progress = progress

    def start(self, work: Callable[..., Any], *arguments: object) -> "Later":
        """As `Runner.start`."""
        return Later(lambda: work(self.progress, *(a.result if isinstance(a, Later) else a for a in arguments)))

    def results(self, started: list["Later"]) -> Iterator[Any]:
        """As `Runner.results`."""
        while started:
            yield started.pop(0).result


class Later:
    """Work that is done once, when it is asked for."""

    def __init__(self, work: Callable[[], Any]) -> None:
        self._work = work

    @cached_property
    def result(self) -> Any:
        """What it gives."""
        return self._work()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What an analysis has to do.

    parts: Vehicle ids of each. evidence: Of the whole fleet, without its readings: those of a part come from the job's
    source.
    """

    job: Job
    parts: Sequence[Sequence[str]]
    evidence: Evidence

    @classmethod
    def of(
        cls,
        evidence: Evidence,
        shown: Shown,
        source: EvidenceSource,
        *,
        settings: Settings,
        most_cells: int = MOST_CELLS,
    ) -> "Plan":
        """For a fleet.

        Args:
            evidence: Of the whole fleet; its readings are not looked at.
            shown: What its readings show.
            source: Gives the evidence of a part.
            settings: The user's settings.
            most_cells: How large a part may be.
        """
        parting = parted(evidence, shown, most_cells=most_cells)
        return cls(
            job=Job(source=source, whole=parting.whole, usual=usual_causes(evidence), settings=settings),
            parts=parting.parts,
            evidence=replace(evidence, snapshots=evidence.snapshots.clear()),
        )

    def job_of(self, vehicle_ids: Sequence[str]) -> Job:
        """The job with as much as one part needs."""
        return replace(self.job, source=self.job.source.for_part(vehicle_ids))


def analyse_in_parts(
    plan: Plan, runner: Runner, room: Path, *, progress: Progress = lambda _stage: None
) -> tuple[Analysis, list[Cost]]:
    """Every published table, and what each part cost, the joining last.

    Args:
        plan: What to do.
        runner: Who works on the parts.
        room: Folder for the parts' rows, which the tables are read from afterwards; it is made where it is needed.
        progress: Called as each part begins to be waited for.
    """
    first, *others = plan.parts
    taught = runner.start(teach, plan.job_of(first), first)
    known = runner.start(what_is_known, taught)
    started = [
        runner.start(the_part, taught),
        *(runner.start(apply, plan.job_of(part), part, known) for part in others),
    ]
    del taught, known  # what nobody waits for is let go where it lies
    joining, costs = Joining(folder=room, parts=plan.parts), list[Cost]()
    results = runner.results(started)
    for place, vehicle_ids in enumerate(plan.parts, start=1):
        if others:
            progress(f"part {place} of {len(plan.parts)}, {len(vehicle_ids)} vehicles")
        part, cost = next(results)
        joining.take(part)
        costs.append(cost)
        del part
    analysis, cost = measured(
        lambda told: of_fleet(
            joining.arrived(), joining.tables(), plan.evidence, settings=plan.job.settings, progress=told
        ),
        progress,
    )
    return analysis, [*costs, cost]


def teach(told: Progress, job: Job, vehicle_ids: Sequence[str]) -> tuple[Part, Known, Cost]:
    """The first part, what is known after it, and what it cost."""
    return _part(told, job, vehicle_ids, None)


def the_part(_told: Progress, taught: tuple[Part, Known, Cost]) -> tuple[Part, Cost]:
    """Of what `teach` gave."""
    return taught[0], taught[2]


def what_is_known(_told: Progress, taught: tuple[Part, Known, Cost]) -> Known:
    """The same."""
    return taught[1]


def apply(told: Progress, job: Job, vehicle_ids: Sequence[str], known: Known) -> tuple[Part, Cost]:
    """Any other part."""
    part, _, cost = _part(told, job, vehicle_ids, known)
    return part, cost


def _part(told: Progress, job: Job, vehicle_ids: Sequence[str], known: Known | None) -> tuple[Part, Known, Cost]:
    def work(stage: Progress) -> tuple[Part, Known, int]:
        stage("reading")
        evidence = job.source.of(vehicle_ids, job.whole)
        part, after = of_vehicles(evidence, usual=job.usual, settings=job.settings, known=known, progress=stage)
        return part, after, int(evidence.snapshots.estimated_size())

    (part, after, read), cost = measured(work, told)
    given = sum(int(table.estimated_size()) for table in part.tables.values())
    return part, after, replace(cost, vehicles=len(vehicle_ids), readings=read, given=given)
