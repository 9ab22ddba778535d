"""When an alarm is raised, and when it ends; compiled, one reading at a time."""

import numba
import numpy as np

from pipelines.drift.harm import SMALL

HOLD = 0.9  # an alarm holds until its evidence is below this share of the threshold; judgement ...
BACK = 0.75  # ... or it reads, or its smoothed level is, within this many sigmas of what is expected; judgement
RETURNED = 0.35  # or within this share of the farthest it strayed; judgement
PATIENCE = 3  # at this many readings in a row, so that no alarm flickers; judgement

# Half width of the normal band, in sigmas of healthy noise; the usual limits of a control chart; definition.
BAND_SIGMAS = 3.0

# An alarm's side (sign of the deviation that raised it), farthest deviation, day it was raised, and for how many
# readings in a row it seemed over. far: it stands for a level beyond what healthy engines hold, not for a change.
ALARM = np.dtype(
    [("side", "f8"), ("peak", "f8"), ("since", "f8"), ("quiet", "i8"), ("on", "?"), ("far", "?")], align=True
)

STANDS, RETURNS, FADES = range(3)  # what a reading does to a standing alarm; definition


@numba.njit(cache=True, nogil=True, error_model="numpy")
def trust(evidence, threshold):  # type: ignore[no-untyped-def]
    """How far a change is taken for real, 0 to 1: odds that are even at half the threshold."""
    return 1 / (1 + np.exp(threshold / 2 - evidence))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def may_rise(alarm, evidence, threshold, away, direction):  # type: ignore[no-untyped-def]
    """Whether evidence asks for an alarm: beyond the threshold, with the smoothed level on the side it speaks of."""
    return not alarm.on and evidence > threshold and direction * away > 0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def rise(alarm, away, direction, sigma, day):  # type: ignore[no-untyped-def]
    """Raise it, unless the level is too near to what is expected to be called a deviation."""
    alarm.on = abs(away) >= BACK * sigma
    alarm.far = False
    alarm.since = day
    alarm.quiet = 0
    alarm.peak = abs(away)
    alarm.side = direction


@numba.njit(cache=True, nogil=True, error_model="numpy")
def stand(alarm, away, apart, evidence, threshold, sigma, worked):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """What one more reading does to an alarm: `STANDS`, `RETURNS` (the reading is back) or `FADES` (evidence is gone).

    Evidence counts as gone inside the band alone: what stands outside it is no memory of a change. A small change needs
    no patience then: nothing asks for its alarm any more, neither the test nor the band.

    Args:
        alarm: Of `ALARM`, standing; off when it ends.
        away: Smoothed level minus what is expected.
        apart: The reading minus what is expected.
        evidence: Half the squared z.
        threshold: Evidence at which it would be raised.
        sigma: Marginal sd of the noise.
        worked: Whether there was work on it before the reading, which ends the alarm alone if it is in the band.
    """
    alarm.peak = max(alarm.peak, abs(away))
    returned = min(abs(apart), abs(away)) < max(BACK * sigma, RETURNED * alarm.peak)
    faded = evidence < HOLD * threshold and abs(away) < BAND_SIGMAS * sigma
    alarm.quiet = alarm.quiet + 1 if returned or faded else 0
    mended = worked and abs(apart) < BAND_SIGMAS * sigma
    doubt = faded and alarm.peak <= SMALL * sigma
    if alarm.quiet < PATIENCE and not (mended or doubt):
        return STANDS
    alarm.on = False
    return RETURNS if returned or mended else FADES


@numba.njit(cache=True, nogil=True, error_model="numpy")
def go_on(alarm, apart, sigma):  # type: ignore[no-untyped-def]
    """Carry an alarm over an epoch's end: it stands unless the first reading after it is back, or on the other side.

    An epoch's end mends nothing by itself; a new calibration least of all.

    Args:
        alarm: Of `ALARM`.
        apart: The first reading, minus what is expected by what was known before the epoch; NaN: nothing was.
        sigma: Marginal sd of the noise.
    """
    stays = apart * alarm.side > 0 and abs(apart) >= max(BACK * sigma, RETURNED * alarm.peak)
    alarm.on = alarm.on and stays
    alarm.far = alarm.far and alarm.on
    alarm.quiet = 0
