"""What is planted into light fleets: laws of growth, defects that come and are repaired, one change a vehicle."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

BENIGN = "levelling"


@dataclass(frozen=True, kw_only=True)
class Plants:
    """change [R, C]: noise-free deviation from health, in sigmas. benign [R, C]: it levels off and does no harm.

    reset [R]: first reading after a repair with which learned values were set back.
    where, onset, sign [vehicles]: of one change a vehicle (-1: none); empty where there are others.
    """

    change: np.ndarray
    benign: np.ndarray
    reset: np.ndarray
    where: np.ndarray
    onset: np.ndarray
    sign: np.ndarray


Planter = Callable[[np.ndarray, np.ndarray, np.random.Generator], Plants]  # of day [R], vehicle [R], generator


def grown(law: str, size: float, since: np.ndarray) -> np.ndarray:
    """Sigmas, `since` days after the onset; `size` is sigmas of a step, else about sigmas per 30 days at first."""
    after = np.maximum(since, 0)
    if law == "step":
        return size * (since > 0)
    if law == "accelerating":
        return size * (after / 30) ** 2 / 4
    if law == BENIGN:
        return size * 3 * (1 - np.exp(-after / 60))
    return size * after / 30


def none_planted(shape: tuple[int, int]) -> Plants:
    """A healthy fleet."""
    nothing, empty = np.zeros(shape, dtype=bool), np.zeros(0)
    return Plants(
        change=np.zeros(shape),
        benign=nothing,
        reset=np.zeros(shape[0], dtype=bool),
        where=empty,
        onset=empty,
        sign=empty,
    )


def some_defects(
    day: np.ndarray, vehicle: np.ndarray, shape: tuple[int, int], share: float, rng: np.random.Generator
) -> Plants:
    """In some vehicles an eighth of the corrections stray for a while; harmful ones are repaired, half with a reset."""
    plants = none_planted(shape)
    for v in np.flatnonzero(rng.random(vehicle.max() + 1) < share):
        rows = np.flatnonzero(vehicle == v)
        law = rng.choice(["ramp", "step", "accelerating", BENIGN], p=[0.5, 0.2, 0.15, 0.15])
        start = rng.uniform(60, day.max() - 30)
        end = np.inf if law == BENIGN else start + rng.uniform(60, 200)
        which = rng.choice(shape[1], max(1, shape[1] // 8), replace=False)
        size = rng.choice([-1, 1], len(which)) * rng.uniform(0.5, 2, len(which)) * (2 if law == "step" else 1)
        mine = rows[(day[rows] > start) & (day[rows] < end)]
        change = grown(law, 1.0, day[mine] - start)
        plants.change[np.ix_(mine, which)] = change[:, None] * size
        plants.benign[np.ix_(mine, which)] = law == BENIGN
        cured = rows[day[rows] >= end]
        if len(cured) and rng.random() < 0.5:
            plants.reset[cured[0]] = True
    return plants


def one_each(law: str, size: float, corrections: int, share: float = 1.0) -> Planter:
    """A planter: one change in each of a share of the vehicles, its onset uniform in readings 40 to 52 (weekly)."""

    def plant(day: np.ndarray, vehicle: np.ndarray, rng: np.random.Generator) -> Plants:
        count = vehicle.max() + 1
        where, sign = rng.integers(corrections, size=count), rng.choice([-1, 1], count)
        onset = rng.uniform(40 * 7, 52 * 7, count)
        where[rng.random(count) >= share] = -1
        plants = none_planted((len(day), corrections))
        rows = np.flatnonzero(where[vehicle] >= 0)
        mine = vehicle[rows]
        plants.change[rows, where[mine]] = sign[mine] * grown(law, size, day[rows] - onset[mine])
        return Plants(
            change=plants.change, benign=plants.benign, reset=plants.reset, where=where, onset=onset, sign=sign
        )

    return plant
