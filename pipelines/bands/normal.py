"""What is normal in a family, block of time by block of time: the arrays that bands and filter run on, no computing."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from pipelines.handover import Float64s, Int32s, Panel

WEEK = 7.0  # days: definition
LONGEST_ERROR = 180.0  # days that an error of the season can last; judgement
COMPARED = 56.0  # days over which a change stands out from what was before, as a rule; judgement
# Of what its error moves over them, what counts as noise, and wander beside it (tests/benchmarks/drift_season.py).
AS_NOISE, AS_WANDER = 1 / 2, 1 / 3
LEAST_WANDER = 1e-4  # variance of a healthy level's slow movement per day, in noise variances; judgement
LEAST_SETTLED = 5  # readings of an epoch before an alarm can be raised; judgement
# Normal scores at which a tail table has its knots; cut at 3.5: judgement.
SCORES = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5])

# Healthy noise of one correction during one block of time: marginal sd, memory in days, variance of rounding, variance
# that the level's wander gains in a day, sd of vehicles' levels, the wander per day that the season's error adds as a
# share of its variance, and by how much wander grows with the square of a series' scale.
NOISE = np.dtype(
    [(name, "f8") for name in (
        "sigma", "memory_days", "rounding", "wander", "offset_sd", "season_wander", "followed",
    )],
    align=True,
)  # fmt: skip
# How readings of one correction scatter during one block of time: the pooled noise as in `NOISE`, mean of its vehicles'
# scales, variance of series' scales, variance of what a reading says of one.
SERIES_SPREAD = np.dtype(
    [(name, "f8") for name in (
        "sigma", "memory_days", "rounding", "wander", "mean_scale", "series_spread", "reading_error",
    )],
    align=True,
)  # fmt: skip
# Variance of vehicles' scales, variance of what an occasion of the usual information says, and that information.
VEHICLE_SPREAD = np.dtype(
    [(name, "f8") for name in ("vehicle_spread", "occasion_error", "occasion_information")], align=True
)


@dataclass(frozen=True, kw_only=True)
class Normal:
    """A family's normal: B blocks of time, C corrections, K calibrations.

    block: [R] the block of each row. starts: [B] days since 1970. centre: [C, B, K + 1], at 0 km, the last
    of a calibration that nobody has. ageing: [C, B] per km.
    sigma, memory_days, rounding (variance), wander (variance per day), offset_sd, depot_spread, duty_spread (variances
    of groups' levels), season_move, depot_move (variances of a week's movement), mean_scale (of vehicles' noise against
    the pooled one): [C, B]. stands_from [C, B]: repeats in a row that are a standstill.
    tails: [C, B, 8] innovations, in their own sd, whose normal scores are `SCORES`. correlation: [C, B, C] of them.
    vehicle_spread, series_spread, occasion_error, occasion_information, reading_error: [B] as `Spread` has them: how
    differently vehicles scatter, and how well their readings show it.
    wander_followed: [B] by how much wander grows with the square of a scale, in noise variances.
    corrections, readings_a_year: [B] how many corrections can alarm at a reading, how many readings a year has.
    """

    block: Int32s
    starts: Float64s
    centre: Float64s
    ageing: Float64s
    sigma: Float64s
    memory_days: Float64s
    rounding: Float64s
    wander: Float64s
    offset_sd: Float64s
    depot_spread: Float64s
    duty_spread: Float64s
    season_move: Float64s
    depot_move: Float64s
    stands_from: Float64s
    mean_scale: Float64s
    tails: Float64s
    correlation: Float64s
    corrections: Float64s
    readings_a_year: Float64s
    vehicle_spread: Float64s
    series_spread: Float64s
    occasion_error: Float64s
    occasion_information: Float64s
    reading_error: Float64s
    wander_followed: Float64s

    def first_blocks(self, count: int) -> "Normal":
        """The same without the later blocks."""
        cut = {name: value[:, :count] if value.ndim > 1 else value[:count] for name, value in self.by_block().items()}
        return replace(self, **cut)

    def followed_by(self, later: "Normal") -> "Normal":
        """The blocks of both, for the rows of `later`."""
        both = {
            name: np.concatenate([value, getattr(later, name)], axis=min(1, value.ndim - 1))
            for name, value in self.by_block().items()
        }
        return replace(later, **both)

    def by_block(self) -> dict[str, Any]:
        """All but `block`, by name."""
        return {field.name: getattr(self, field.name) for field in fields(self) if field.name != "block"}

    def noise(self, c: int) -> np.ndarray:
        """[B] of `NOISE`: healthy noise of one correction."""
        noise = np.empty(len(self.starts), dtype=NOISE)
        for name in ("sigma", "memory_days", "rounding", "wander", "offset_sd"):
            noise[name] = getattr(self, name)[c]
        lasting = _moved_mean(COMPARED / self.memory_days[c]) / (COMPARED * 2 / 3)  # as a random walk
        noise["season_wander"] = AS_WANDER * lasting
        noise["followed"] = self.wander_followed * self.sigma[c] ** 2
        return noise

    def series_scatter(self, c: int) -> np.ndarray:
        """[B] of `SERIES_SPREAD`: pooled noise of one correction and how the scales of its series differ."""
        spread = np.empty(len(self.starts), dtype=SERIES_SPREAD)
        for name in ("sigma", "memory_days", "rounding", "wander", "mean_scale"):
            spread[name] = getattr(self, name)[c]
        for name in ("series_spread", "reading_error"):
            spread[name] = getattr(self, name)
        return spread

    def vehicle_scatter(self) -> np.ndarray:
        """[B] of `VEHICLE_SPREAD`: how vehicles' scales differ."""
        spread = np.empty(len(self.starts), dtype=VEHICLE_SPREAD)
        for name in VEHICLE_SPREAD.names or ():
            spread[name] = getattr(self, name)
        return spread

    def weekly_noise(self, c: int) -> Float64s:
        """[B] variance of white noise that blurs a mean over many weeks as much as the noise with memory does."""
        rho = np.exp(-WEEK / self.memory_days[c])
        blur: Float64s = self.sigma[c] ** 2 * (1 + rho) / (1 - rho) + self.rounding[c]
        return blur

    def season_noise_ratio(self, c: int, variance: Float64s, block: Int32s) -> Float64s:
        """[R] factor for the season's error variance [R] as a part of the noise, whose memory is another.

        The error lasts as long as the season takes to move by as much. It moves a mean over `COMPARED` days against
        that of the days before by so much as this part of the noise and its part of the wander (`model`) together. A
        season that moves on in one direction is followed the later, the longer errors last.
        """
        move, memory = self.season_move[c] + self.depot_move[c], self.memory_days[c]
        lasts = np.clip(variance * (WEEK / move)[block], memory[block], LONGEST_ERROR)
        share = AS_NOISE * (1 + lasts / COMPARED)
        ratio: Float64s = share * _moved_mean(COMPARED / lasts) / _moved_mean(COMPARED / memory)[block]
        return ratio


def _moved_mean(windows: Float64s) -> Float64s:
    """Variance of the difference of means over neighbouring windows, of an Ornstein-Uhlenbeck process of variance 1.

    windows: Their length in its time constants.
    """
    left = -np.expm1(-windows)
    moved: Float64s = 2 * (2 * (windows - left) - left**2) / windows**2
    return moved


def days(panel: Panel) -> Float64s:
    """[R] reading times in days since 1970."""
    return panel.read_at.astype("datetime64[us]").astype(np.int64) / 86_400e6


def vehicle_of_row(panel: Panel) -> Int32s:
    """[R] index into the panel's vehicles."""
    return np.repeat(np.arange(len(panel.vehicles), dtype=np.int32), np.diff(panel.row_start))
