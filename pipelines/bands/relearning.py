"""Relearning after a reset, a new part, module or calibration: when it is over; panel in, hours and flags out."""

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Float64s, Panel

REGION_SHARE = 1 / 3  # of the ignition hours are spent in a correction's own region, as a rule; judgement
OVER = 4.0  # time constants after which nothing is left that matters; e^-4, 2 %; derived
HOURS_A_DAY = 2.0  # where the clock is not known; judgement


def relearning_hours(panel: Panel, corrections: pl.DataFrame) -> Float64s:
    """[C] time constant of relearning in ignition hours; 0: the catalogue names none."""
    known = dict(zip(corrections["code"], corrections["learn_hours"], strict=True))
    hours = np.array([known.get(code) or 0.0 for code in panel.codes], dtype=np.float64)
    return hours / REGION_SHARE


def settled_rows(panel: Panel, day: Float64s, learn_hours: Float64s) -> Bools:
    """[C, R] True where a series has had the time to relearn since its epoch began (its first epoch: always)."""
    settled: Bools = _settled(
        np.ascontiguousarray(panel.epoch.T), panel.row_start, day, panel.hours, OVER * learn_hours
    )
    return settled


@numba.njit(cache=True, nogil=True)
def _settled(epoch, row_start, day, hours, needed):  # type: ignore[no-untyped-def]
    out = np.ones(epoch.shape, dtype=np.bool_)
    for c in range(len(epoch)):
        for v in range(len(row_start) - 1):
            learned = 0.0
            for r in range(row_start[v] + 1, row_start[v + 1]):
                step = hours[r] - hours[r - 1]
                if not step >= 0:
                    step = HOURS_A_DAY * (day[r] - day[r - 1])
                learned = 0.0 if epoch[c, r] != epoch[c, r - 1] else learned + step
                out[c, r] = epoch[c, r] == epoch[c, row_start[v]] or learned >= needed[c]
    return out
