"""What work costs by stage: seconds and processor time, and the most memory that its process ever held."""

import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

from pipelines.first_stages import Progress

Result = TypeVar("Result")
KIBIBYTE = 1024 if sys.platform != "darwin" else 1  # unit in which the system counts memory: definition


@dataclass(frozen=True, kw_only=True)
class Cost:
    """seconds, processor: By stage, in their order. peak: Bytes."""

    seconds: dict[str, float]
    processor: dict[str, float]
    peak: int


def measured(work: Callable[[Progress], Result]) -> tuple[Result, Cost]:
    """What the work gives, which says as each of its stages begins, and what they cost."""
    begun: list[tuple[str, float, float]] = []

    def told(stage: str) -> None:
        begun.append((stage, time.perf_counter(), time.process_time()))

    result = work(told)
    told("end")
    seconds, processor = dict[str, float](), dict[str, float]()
    for (stage, at, spent), (_, until, by_then) in pairwise(begun):
        seconds[stage] = seconds.get(stage, 0.0) + until - at
        processor[stage] = processor.get(stage, 0.0) + by_then - spent
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * KIBIBYTE
    return result, Cost(seconds=seconds, processor=processor, peak=peak)
