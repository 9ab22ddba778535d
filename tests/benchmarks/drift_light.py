"""False alarms on light fleets: a mixed fleet pooled and by stratum, and fleets that are hard in one way each."""

from collections.abc import Iterator

from drift_fleets import Fleet, World, light_fleet
from drift_promise import Truth, Watched, rate_lines
from drift_table import Line

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.handover import Drift
from pipelines.settings import Settings

PROMISES = (0.1, 0.2, 0.5)
MIXED = World(
    family_sizes=(90, 60, 40, 25, 15, 10, 8, 6, 5, 4, 4, 3), weeks=156, corrections=30, depots=3,
    memory=(0.2, 0.5, 0.8), tails=(0.0, 6.0, 0.0, 4.0), step=(0.0, 0.0, 0.5, 0.0, 1.0), wander=0.2, switch=2.0,
    switch_lag=10.0, irregular=0.12, missed=0.06, joining=0.25, resets=0.25, modules=0.08, calibrations=1,
    learn_hours=4.0,
)  # fmt: skip
HARD = {
    "as assumed": {},
    "memory 0.2 a week": {"memory": 0.2},
    "memory 0.8 a week": {"memory": 0.8},
    "tails of t with 5": {"tails": 5.0},
    "tails of t with 3.5": {"tails": 3.5},
    "rounded to a sigma": {"step": 1.0},
    "rounded to two sigmas": {"step": 2.0},
    "rounded, memory 0.8": {"step": 1.0, "memory": 0.8},
    "fuel switched by 3 sigma": {"switch": 3.0, "switch_lag": 10.0},
    "depot season of a sigma": {"depot_season": 1.0},
    "wander of 0.3 sigma": {"wander": 0.3},
    "wander of 0.6 sigma": {"wander": 0.6},
    "irregular readers": {"irregular": 1.0},
    "30 % of readings missed": {"missed": 0.3},
    "daily readings": {"days_apart": 1.0, "weeks": 60},
    "families of 3": {"family_sizes": (3,) * 60},
    "families of 8": {"family_sizes": (8,) * 22},
    "5 corrections": {"corrections": 5, "vehicles": 720},
    "70 corrections": {"corrections": 70},
}


def truths_of(fleet: Fleet) -> dict[str, Truth]:
    """The truth of each family, row by row of its panel."""
    return {
        f"family-{f}": Truth(
            deviation=fleet.plants.change[rows],
            benign=fleet.plants.benign[rows],
            marks={name: mark[rows] for name, mark in fleet.marks.items()},
        )
        for f in range(int(fleet.family.max()) + 1)
        for rows in [fleet.family == f]
    }


def drift_of(fleet: Fleet, promise: float) -> Drift:
    """Bands and drift of a fleet."""
    settings = Settings(false_alarms_per_vehicle_year=promise)
    return straying(
        panels(fleet.evidence, fleet.history), evidence=fleet.evidence, history=fleet.history, settings=settings
    )


def mixed_lines(*, seeds: int, promises: tuple[float, ...] = PROMISES) -> Iterator[Line]:
    """The mixed fleet without and with defects, pooled over seeds."""
    for of, drifting in (("mixed, healthy", 0.0), ("mixed, null part with defects", 0.35)):
        for promise in promises:
            parts = []
            for seed in range(seeds):
                fleet = light_fleet(World(**{**vars(MIXED), "drifting": drifting, "seed": 100 + seed}))
                parts.append(Watched.of(drift_of(fleet, promise), truths_of(fleet), name=str(seed)))
            yield from rate_lines(Watched.together(parts), promise, of, strata=True)


def hard_lines(*, vehicles: int, promise: float, every: int) -> Iterator[Line]:
    """One line a hard fleet; its target is a stratum's."""
    for name in list(HARD)[::every]:
        world = World(**{"vehicles": vehicles, "seed": 11, **HARD[name]})
        fleet = light_fleet(world)
        watched = Watched.of(drift_of(fleet, promise), truths_of(fleet), name=name)
        line = next(iter(rate_lines(watched, promise, f"hard: {name}", strata=False)))
        yield Line(**{**vars(line), "at_least": 0.5, "at_most": 2.0})
