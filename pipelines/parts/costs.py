"""What work costs by stage: seconds, processor time, bytes, and the most memory that its process ever held."""

import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

from pipelines.first_stages import Progress

Result = TypeVar("Result")
KIBIBYTE = 1024 if sys.platform != "darwin" else 1  # unit in which the system counts memory: definition
TEN = 10  # times the fleet, of which it is told what it would need: definition
COPIES = 2  # of readings and of rows that are here at once, at most (tests/benchmarks/any_size.py); measured


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Of one part, or of joining all: by stage, in their order, `seconds` and `processor` time.

    peak: Bytes of memory. vehicles: Of the part; 0: of joining. read, given: Bytes of readings, and of rows for the
    published tables.
    """

    seconds: dict[str, float]
    processor: dict[str, float]
    peak: int
    vehicles: int = 0
    read: int = 0
    given: int = 0


def measured(work: Callable[[Progress], Result], also: Progress = lambda _stage: None) -> tuple[Result, Cost]:
    """What the work gives, which says as each of its stages begins, and what they cost; `also` is told the stages."""
    begun: list[tuple[str, float, float]] = []

    def told(stage: str) -> None:
        begun.append((stage, time.perf_counter(), time.process_time()))
        also(stage)

    result = work(told)
    begun.append(("", time.perf_counter(), time.process_time()))
    seconds, processor = dict[str, float](), dict[str, float]()
    for (stage, at, spent), (_, until, by_then) in pairwise(begun):
        seconds[stage] = seconds.get(stage, 0.0) + until - at
        processor[stage] = processor.get(stage, 0.0) + by_then - spent
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * KIBIBYTE
    return result, Cost(seconds=seconds, processor=processor, peak=peak)


def cost_lines(costs: Sequence[Cost]) -> list[str]:
    """What an analysis cost, and what a fleet ten times as large would need, in lines.

    Args:
        costs: Of its parts, and of joining them.
    """
    parts = [cost for cost in costs if cost.vehicles]
    stages = dict.fromkeys(stage for cost in costs for stage in cost.seconds)
    spent = {stage: sum(cost.processor.get(stage, 0.0) for cost in costs) for stage in stages}
    total = sum(spent.values())
    most, here = max(cost.peak for cost in parts), max(cost.peak for cost in costs if not cost.vehicles)
    read, given = sum(cost.read for cost in parts), sum(cost.given for cost in parts)
    by_stage = ", ".join(f"{stage} {seconds:.1f}" for stage, seconds in spent.items())
    largest, vehicles = max(cost.vehicles for cost in parts), sum(cost.vehicles for cost in parts)
    said = f"{len(parts)} parts of up to {largest} vehicles" if len(parts) > 1 else "one part"
    took = (
        f"Took {total:.0f} s of processor time in {said}: {by_stage}. Readings: {_bytes(read)}, rows for the tables: "
        f"{_bytes(given)}, most memory where parts were worked on: {_bytes(most)}, here: {_bytes(here)}."
    )
    joined = here + (TEN - 1) * COPIES * (read + given)
    more = (
        f"Ten times the fleet, {TEN * vehicles} vehicles: some {TEN * total / 60:.0f} min of processor time, shared by "
        f"who works on its parts, which grow no larger than some 2 GiB; here some {_bytes(joined)}."
    )
    return [took, more]


def _bytes(count: float) -> str:
    return f"{count / 2**30:.1f} GiB" if count >= 2**30 else f"{count / 2**20:.0f} MiB"
