"""The rule for values that stand still: when repeats of one value are more than chance makes of them; arrays only.

A series stands still where its module reports the same value again and again, more often in a row than is likely by how
readily it would repeat itself anyway. How readily that is, and what is likely, depends on what is asked:

- Did the module learn since the reading before (`unlearned`)? Then only rounding to the correction's step repeats a
  value. A reading that learned nothing says nothing; to leave one out by mistake costs one reading of one series.
- Is the series stuck (`stuck`)? Healthy ones also stand where rounding hides movements or a duty seldom visits their
  region, so the family's vehicles and the rest of the series' own record say how readily. A series named by mistake
  costs somebody a look, so that as few as `FALSE_VEHICLES` may be: by the newest run of each series, which makes the
  state, or by any run of the record, which makes a notice.

A value that rests at a limit is held there and does not stand still; a stuck one is not told where it rests at neutral
either, since what was set back and waits for its region looks so.
"""

import numpy as np
from scipy.special import betaln

from pipelines.handover import Bools, Float32s, Float64s, Panel

# Chance of so many repeats in a row, below which a reading is left out: one in a thousand of those that learned;
# judgement.
RARE_READING = 1e-3
FALSE_VEHICLES = 0.01  # share of healthy vehicles of which some series may be called stuck; judgement
# Series of a vehicle, and readings of each, in round numbers: they enter by their logarithm; judgement.
SERIES, READINGS = 100, 100
RARE_NOW = FALSE_VEHICLES / SERIES  # chance of the newest run of a series; derived
RARE_EVER = FALSE_VEHICLES / (SERIES * READINGS)  # chance of any run of its record; derived


def log_chance(repeats: Float64s, again: Float64s, other: Float64s) -> Float64s:
    """Log probability of so many repeats in a row, of a series that repeats itself with a probability ~ Beta.

    Args:
        repeats: How many.
        again: Weight of repeats in what is known of the probability.
        other: Weight of what was no repeat.

    Source: Skellam (1948), Journal of the Royal Statistical Society B 10(2), 257-261.
    """
    chance: Float64s = betaln(again + repeats, other) - betaln(again, other)
    return chance


def fewest_repeats(probability: Float64s, rare: float) -> Float64s:
    """How many repeats in a row are at most as likely as `rare`, where each one comes with a known probability."""
    fewest: Float64s = np.ceil(np.log(rare) / np.log(np.clip(probability, 1e-9, 1 - 1e-9)))
    return fewest


def held_beyond(panel: Panel) -> tuple[Float64s, Float64s]:
    """[C], [C] below and above which a value is held by its limit, half a step from it; NaN: nowhere.

    Of limits that leeway is measured to: how much farther the value would go, only the holding hides.
    """
    half = np.nan_to_num(panel.resolution) / 2
    low = np.where(panel.measured_low, panel.low_limit + half, np.nan)
    return low, np.where(panel.measured_high, panel.high_limit - half, np.nan)


def rests(values: Float32s, *, neutral: float, low: float, high: float, step: float) -> Bools:
    """Whether each value rests at neutral or within one step of a limit, by whatever holds it there; NaN: none."""
    at_neutral = (values == neutral) | (np.abs(values - neutral) < step / 2)
    at_rest: Bools = at_neutral | (values <= low + step) | (values >= high - step)
    return at_rest
