"""What the season's error does to a mean over some weeks against the weeks before; and what the filter allows for it.

Run: python tests/benchmarks/drift_season.py. A line a family and window: variance of the difference of two neighbouring
means, as a share of what the noise gives it; true, and as said (as a part of the noise, and as wander).
"""

from functools import partial

import numpy as np
from drift_fleets import World, light_fleet
from drift_light import drift_of

from pipelines.bands.normal import WEEK
from pipelines.drift import family

SIZES, CORRECTIONS, WEEKS, WARM_UP = (90, 40, 15, 6, 4), 10, 156, 30
WINDOWS = (4, 8, 16, 26)


def noise_moves(window: int, memory_days: float) -> float:
    """Variance of the difference of two neighbouring means of noise of variance 1."""
    apart = np.abs(np.subtract.outer(np.arange(2 * window), np.arange(2 * window))) * WEEK
    sign = np.repeat([-1.0, 1.0], window) / window
    return float(sign @ np.exp(-apart / memory_days) @ sign)


def moves(error: np.ndarray, window: int) -> float:
    """The same of an error [V, W] that is known."""
    starts = range(WARM_UP, error.shape[1] - 2 * window, window)
    means = [error[:, a : a + 2 * window].reshape(len(error), 2, window).mean(axis=2) for a in starts]
    return float(np.mean([(pair[:, 1] - pair[:, 0]) ** 2 for pair in means]))


def main() -> None:
    """Print the table."""
    found: list[tuple] = []

    def noted(original, c, readings, normal, **rest):
        season, variance = original(c, readings, normal, **rest)
        found.append((c, season, variance, normal.noise(c)[-1]))
        return season, variance

    original, family.seasons = family.seasons, partial(noted, family.seasons)
    try:
        for size in SIZES:
            found.clear()
            world = World(family_sizes=(size, 61), corrections=CORRECTIONS, weeks=WEEKS, depots=3, jitter=0.0, seed=5)
            fleet = light_fleet(world)
            drift_of(fleet, 0.2)
            rows = fleet.family == 0
            unit = np.geomspace(0.1, 10, CORRECTIONS)
            mine = [one for one in found if len(one[1]) == rows.sum()]
            for window in WINDOWS:
                true = np.mean([moves((s / unit[c] - fleet.season[rows, c]).reshape(size, -1), window)
                                for c, s, _, _ in mine])  # fmt: skip
                said = [(v.mean() / unit[c] ** 2, model) for c, _, v, model in mine]
                noise = np.mean([v * noise_moves(window, model["memory_days"]) for v, model in said])
                wander = np.mean([v * model["season_wander"] * window * WEEK * 2 / 3 for v, model in said])
                whole = np.mean([noise_moves(window, model["memory_days"]) for _, model in said])
                of = f"family of {size:3d}, {window:2d} weeks"
                parts = f"noise {noise / whole:.3f}, wander {wander / whole:.3f}"
                print(f"{of}: true {true / whole:.3f}, said {(noise + wander) / whole:.3f} ({parts})")
    finally:
        family.seasons = original


if __name__ == "__main__":
    main()
