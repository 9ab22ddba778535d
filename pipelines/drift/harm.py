"""Whether a change has levelled off and does no harm, and whether a level is beyond what healthy engines hold.

All lengths are in the unit of the correction; a level is counted from what is expected of all vehicles. Compiled.
"""

import numba
import numpy as np

# Log likelihood by which a step must explain more than any ramp before a change is said to have levelled off: odds of
# fifty to one; and how long it must have held, a quarter of a year. Judgement.
LEVELLED, HELD_READINGS, HELD_DAYS = 4.0, 8, 91.0
SMALL = 4.5  # sigmas, half again the band; a larger change is never called harmless; judgement
USED = 0.5  # share of the way to a limit that faults, from which nothing is harmless; judgement
# Sds of vehicles' levels, noise included, from which a level is beyond what healthy engines hold; judgement: of normal
# levels 2 in a thousand million lie farther, but levels have heavier tails than that. Where the level has used its
# share of the way to a limit, as much evidence as any alarm needs is enough.
FAR = 6.0
NEAR = 4.0  # sds within which healthy engines are, 6 in a hundred thousand lie farther; judgement
NEAR_AGAIN = 0.5  # share of these at which a level that was beyond is taken for healthy; judgement

# A change that was taken for a new normal: when it came (NaN: none), and by how much.
CHANGED = np.dtype([("day", "f8"), ("size", "f8")], align=True)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def levelled_off(best, seen, day):  # type: ignore[no-untyped-def]
    """Whether a step explains clearly more than what still grows, and began long enough ago.

    Args:
        best: `Best` of the bank of onsets.
        seen: Number of the newest reading.
        day: Its day.
    """
    held = seen - best.step_reading >= HELD_READINGS and day - best.step_day >= HELD_DAYS
    return held and (best.step_z2 - best.ramp_z2) / 2 >= LEVELLED


@numba.njit(cache=True, nogil=True, error_model="numpy")
def way_used(level, low, high):  # type: ignore[no-untyped-def]
    """Share of the way to the limit on its side that a level has used; 0 where that side never faults.

    Args:
        level: From what is expected of all.
        low: Lower limit, from there too; NaN: that side never faults.
        high: Upper limit, likewise.
    """
    limit = high if level > 0 else low
    return level / limit if level / limit > 0 else 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_harmless(size, level, sigma, spread_sd, used):  # type: ignore[no-untyped-def]
    """Whether a change of this size to this level is small, leaves leeway, and leads where healthy engines are."""
    return abs(size) <= SMALL * sigma and used < USED and abs(level) <= NEAR * np.hypot(spread_sd, sigma)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_far(level, variance, used, threshold):  # type: ignore[no-untyped-def]
    """Whether a level is beyond what healthy engines hold.

    Args:
        level: From what is expected of all.
        variance: Of healthy engines' levels, noise included.
        used: Share of the way to the limit that it has used.
        threshold: Evidence at which an alarm is raised.
    """
    return level * level / variance > (2 * threshold if used >= USED else FAR * FAR)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def is_near_again(level, variance):  # type: ignore[no-untyped-def]
    """Whether a level that was beyond what healthy engines hold no longer is."""
    return abs(level) < NEAR_AGAIN * NEAR * np.sqrt(variance)
