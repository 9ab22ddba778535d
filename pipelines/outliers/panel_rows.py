"""Which rows of a family belong to which vehicle, which are the newest, and how many came before."""

import numpy as np

from pipelines.handover import FamilyDrift, Int64s


def last_rows(family: FamilyDrift) -> Int64s:
    """The newest row of each vehicle that was ever read."""
    starts = family.panel.row_start
    return starts[1:][np.diff(starts) > 0] - 1


def vehicle_of_row(family: FamilyDrift) -> Int64s:
    """[R] index of each row's vehicle."""
    return np.repeat(np.arange(len(family.panel.vehicles)), np.diff(family.panel.row_start))


def reading_number(family: FamilyDrift) -> Int64s:
    """[R] counts each vehicle's readings from 1."""
    return np.arange(len(family.panel.read_at)) - family.panel.row_start[vehicle_of_row(family)] + 1
