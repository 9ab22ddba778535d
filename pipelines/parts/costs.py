"""What work costs by stage: seconds, processor time, bytes read and written, and the most memory that it ever held."""

import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple, TypeVar

from pipelines.first_stages import Progress

Result = TypeVar("Result")
KIBIBYTE = 1024 if sys.platform != "darwin" else 1  # unit in which the system counts memory: definition
TEN = 10  # times the fleet, of which it is told what it would need: definition
HELD_HERE = 0.8  # bytes here for one of readings and rows, from 10,000 to 100,000 vehicles (any_size.py); measured
COUNTED = Path("/proc/self/io")  # where Linux says what a process read and wrote, also what lay in the system's memory


class Spent(NamedTuple):
    """Of one stage: seconds of the clock and of processor time, and bytes that were read and written."""

    seconds: float
    processor: float
    read: float
    written: float

    @classmethod
    def until_now(cls) -> "Spent":
        """By this process since it began."""
        counts = dict[str, int]()
        if COUNTED.exists():
            lines = COUNTED.read_text(encoding="ascii").splitlines()
            counts = {name: int(count) for name, count in (line.split(":") for line in lines)}
        return cls(time.perf_counter(), time.process_time(), counts.get("rchar", 0), counts.get("wchar", 0))

    def since(self, before: "Spent") -> "Spent":
        """What came to it since."""
        return Spent(*(now - then for now, then in zip(self, before, strict=True)))

    def and_(self, other: "Spent") -> "Spent":
        """Both together."""
        return Spent(*(one + more for one, more in zip(self, other, strict=True)))


NOTHING = Spent(0.0, 0.0, 0, 0)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Of one part, or of what is done once: what each stage spent, in their order.

    peak: Bytes of memory. vehicles: Of the part; 0: no part. readings, given: Bytes of readings, and of rows for the
    published tables.
    """

    stages: dict[str, Spent]
    peak: int
    vehicles: int = 0
    readings: int = 0
    given: int = 0


def measured(work: Callable[[Progress], Result], also: Progress = lambda _stage: None) -> tuple[Result, Cost]:
    """What the work gives, which says as each of its stages begins, and what they cost; `also` is told the stages."""
    begun: list[tuple[str, Spent]] = []

    def told(stage: str) -> None:
        begun.append((stage, Spent.until_now()))
        also(stage)

    result = work(told)
    begun.append(("", Spent.until_now()))
    stages = dict[str, Spent]()
    for (stage, before), (_, after) in pairwise(begun):
        stages[stage] = stages.get(stage, NOTHING).and_(after.since(before))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * KIBIBYTE
    return result, Cost(stages=stages, peak=peak)


def cost_lines(costs: Sequence[Cost], seconds: float) -> list[str]:
    """What an analysis cost by stage, and what a fleet ten times as large would need, in lines.

    Args:
        costs: Of its parts, and of what was done once.
        seconds: That it took.
    """
    parts = [cost for cost in costs if cost.vehicles]
    names = dict.fromkeys(stage for cost in costs for stage in cost.stages)
    by_stage = dict.fromkeys(names, NOTHING)
    for cost in costs:
        for stage, spent in cost.stages.items():
            by_stage[stage] = by_stage[stage].and_(spent)
    total = NOTHING
    for spent in by_stage.values():
        total = total.and_(spent)
    most, here = max(cost.peak for cost in parts), max(cost.peak for cost in costs if not cost.vehicles)
    largest, vehicles = max(cost.vehicles for cost in parts), sum(cost.vehicles for cost in parts)
    said = f"{len(parts)} parts of up to {largest} vehicles" if len(parts) > 1 else "one part"
    held = sum(cost.readings + cost.given for cost in parts)
    joined = here + (TEN - 1) * HELD_HERE * held
    memory = f"here {_bytes(here)}"
    if len(parts) > 1:
        memory = f"where parts were worked on {_bytes(most)}, {memory}"
    moved = f"; {_bytes(TEN * total.read)} read, {_bytes(TEN * total.written)} written" if total.read else ""
    took = f"Took {seconds:.0f} s, {total.processor:.0f} s of processor time in {said}; most memory {memory}."
    more = (
        f"Ten times the fleet, {TEN * vehicles} vehicles, would need, judged by this run: some "
        f"{TEN * total.processor / 60:.0f} min of processor time, shared by who works on its parts, which grow no "
        f"larger than some 3 GiB; here some {_bytes(joined)} of memory{moved}."
    )
    return [took, *_table({**by_stage, "all": total}), more]


def _table(stages: dict[str, Spent]) -> list[str]:
    """A line for each stage, below one that says what its figures are; bytes only where the system counts them."""
    width = max(map(len, stages))
    bytes_too = any(spent.read for spent in stages.values())
    lines = [f"  {'':<{width}}     clock  processor" + ("      read   written" if bytes_too else "")]
    for stage, spent in stages.items():
        line = f"  {stage:<{width}}  {spent.seconds:>6.1f} s  {spent.processor:>7.1f} s"
        lines.append(line + (f"  {_bytes(spent.read):>8}  {_bytes(spent.written):>8}" if bytes_too else ""))
    return lines


def _bytes(count: float) -> str:
    return f"{count / 2**30:.1f} GiB" if count >= 2**30 else f"{count / 2**20:.0f} MiB"
