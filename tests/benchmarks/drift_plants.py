"""What is planted into light fleets: laws of growth, defects that come and are repaired, one change a vehicle."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

BENIGN = "levelling"
LAWS = ("ramp", "accelerating", BENIGN, "spells", "intermittent", "growing in warmth", "showing in warmth")
WARMEST = 200.0  # day of the year


@dataclass(frozen=True, kw_only=True)
class Plants:
    """change [R, C]: noise-free deviation from health, in sigmas. benign [R, C]: it levels off and does no harm.

    reset [R]: first reading after a repair with which learned values were set back.
    where, onset, sign, law [vehicles]: of one change a vehicle (-1: none); empty where there are others.
    """

    change: np.ndarray
    benign: np.ndarray
    reset: np.ndarray
    where: np.ndarray
    onset: np.ndarray
    sign: np.ndarray
    law: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))


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


def grown_by(law: str, size: float, day: np.ndarray, onset: float, rng: np.random.Generator) -> np.ndarray:
    """Sigmas on each day of a change by one of `LAWS`, its own terms drawn; `size` is about sigmas per 30 days."""
    after = np.maximum(day - onset, 0)
    warmth = np.cos(2 * np.pi * (day - WARMEST) / 365.25)
    if law == "accelerating":
        return size * 1.5 * np.expm1(after / rng.uniform(60, 150))
    if law == BENIGN:
        return rng.uniform(4, 22) * (1 - np.exp(-after / rng.uniform(40, 150)))
    if law == "spells":  # of growing and of standing still
        lengths = rng.exponential(rng.uniform(30, 120), 400)
        ends = np.concatenate([[0.0], np.cumsum(lengths)])
        grows = np.concatenate([[0.0], np.cumsum(np.where(np.arange(400) % 2 == 0, lengths, 0.0))])
        return size * 1.7 * np.interp(after, ends, grows) / 30
    if law == "intermittent":  # there on some days, and learned as far as it is there
        there, shown, share = True, np.empty(len(day)), 0.6
        for i in range(len(day)):
            there = rng.random() < (0.75 if there else 0.4)
            share += 0.5 * (there - share)
            shown[i] = share
        return size * 1.7 * after / 30 * shown
    if law == "growing in warmth":
        every = np.arange(0, day.max() + 2)
        so_far = np.cumsum(np.maximum(np.cos(2 * np.pi * (every - WARMEST) / 365.25), 0) * np.pi)
        return size / 30 * (np.interp(np.maximum(day, onset), every, so_far) - np.interp(onset, every, so_far))
    return size * after / 30 * (2 * np.clip(0.5 + 0.8 * warmth, 0, 1) if law == "showing in warmth" else 1)


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


def one_of_each_law(corrections: int, share: float) -> Planter:
    """A planter: in a share of the vehicles one change each by any of `LAWS`; onset in weeks 40 to 75."""

    def plant(day: np.ndarray, vehicle: np.ndarray, rng: np.random.Generator) -> Plants:
        count = vehicle.max() + 1
        where, sign = rng.integers(corrections, size=count), rng.choice([-1, 1], count)
        onset, law = rng.uniform(40 * 7, 75 * 7, count), rng.integers(len(LAWS), size=count)
        where[rng.random(count) >= share] = -1
        size = np.exp(rng.uniform(np.log(0.5), np.log(3), count))
        plants = none_planted((len(day), corrections))
        start = np.searchsorted(vehicle, np.arange(count + 1))
        for v in np.flatnonzero(where >= 0):
            rows = slice(start[v], start[v + 1])
            grown = grown_by(LAWS[law[v]], size[v], day[rows], onset[v], np.random.default_rng([7, v]))
            plants.change[rows, where[v]] = sign[v] * grown
        return replace(plants, where=where, onset=onset, sign=sign, law=law)

    return plant
