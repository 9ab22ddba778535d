"""The plan of an analysis of a fleet in parts: the first part teaches, the others are judged by it, all are joined.

A runner says who works on the parts: this process, others of this machine, or a cluster. The stages know none of it,
and the tables are the same whoever did, since the parts follow from the fleet and are joined in their order.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

from pipelines.analyse import Known, Part, of_fleet, of_vehicles
from pipelines.causes.ranking import UsualCauses, usual_causes
from pipelines.first_stages import Progress
from pipelines.handover import Analysis, Evidence, WholeFleet
from pipelines.parts.costs import Cost, measured
from pipelines.parts.parting import MOST_CELLS, parted
from pipelines.parts.readings import EvidenceSource
from pipelines.settings import Settings

Shared = TypeVar("Shared")
Result = TypeVar("Result")


@dataclass(frozen=True, kw_only=True)
class Job:
    """What all parts of an analysis need."""

    source: EvidenceSource
    whole: WholeFleet | None
    usual: UsualCauses
    settings: Settings
    known: Known | None = None


class Runner(Protocol):
    """Who works on parts."""

    def map(
        self, work: Callable[[Shared, Sequence[str]], Result], parts: Sequence[Sequence[str]], shared: Shared
    ) -> Iterator[Result]:
        """What the work makes of each part, in their order, each as soon as those before it are there."""


class InThisProcess:
    """One part after the other, here."""

    def map(
        self, work: Callable[[Shared, Sequence[str]], Result], parts: Sequence[Sequence[str]], shared: Shared
    ) -> Iterator[Result]:
        """As `Runner.map`."""
        return (work(shared, part) for part in parts)


def analyse_in_parts(
    evidence: Evidence,
    source: EvidenceSource,
    runner: Runner,
    *,
    settings: Settings,
    progress: Progress = lambda _stage: None,
    most_cells: int = MOST_CELLS,
) -> tuple[Analysis, list[Cost]]:
    """Every published table, and what each part cost, the joining last.

    Args:
        evidence: Of the whole fleet.
        source: Gives the evidence of a part.
        runner: Who works on the parts.
        settings: The user's settings.
        progress: Called as each part begins to be waited for.
        most_cells: How large a part may be.
    """
    parting = parted(evidence, most_cells=most_cells)
    first, *others = parting.parts
    job = Job(source=source, whole=parting.whole, usual=usual_causes(evidence), settings=settings)
    evidence = replace(evidence, snapshots=evidence.snapshots.clear())
    count = len(parting.parts)
    progress(_words(1, count, first))
    (((part, known), cost),) = runner.map(teach, [first], job)
    parts, costs = [part], [cost]
    if others:
        progress(_words(2, count, others[0]))
    for place, (part, cost) in enumerate(runner.map(apply, others, replace(job, known=known)), start=2):
        parts.append(part)
        costs.append(cost)
        if place < count:
            progress(_words(place + 1, count, others[place - 1]))
    analysis, cost = measured(lambda told: of_fleet(parts, evidence, settings=settings, progress=told))
    return analysis, [*costs, cost]


def _words(place: int, count: int, vehicle_ids: Sequence[str]) -> str:
    return f"part {place} of {count}, {len(vehicle_ids)} vehicles" if count > 1 else "one part"


def teach(job: Job, vehicle_ids: Sequence[str]) -> tuple[tuple[Part, Known], Cost]:
    """The first part, and what is known after it."""
    return _part(job, vehicle_ids)


def apply(job: Job, vehicle_ids: Sequence[str]) -> tuple[Part, Cost]:
    """Any other part."""
    (part, _), cost = _part(job, vehicle_ids)
    return part, cost


def _part(job: Job, vehicle_ids: Sequence[str]) -> tuple[tuple[Part, Known], Cost]:
    def work(told: Progress) -> tuple[Part, Known]:
        told("reading")
        evidence = job.source.of(vehicle_ids, job.whole)
        return of_vehicles(evidence, usual=job.usual, settings=job.settings, known=job.known, progress=told)

    return measured(work)
