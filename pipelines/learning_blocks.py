"""Blocks of time: what holds in one was learned from the blocks before it, in the first from itself; days only.

So nothing looks ahead, and a later reading changes nothing that was computed for an earlier block.
"""

import numpy as np

from pipelines.handover import Bools, Float64s

# Days since the fleet's first reading at which all that is learned is learned anew.
BLOCK_STARTS = np.cumsum([0, 182, 91, 91, 182, 182, 364, 364, 728, 728, 728, 728])
ENOUGH_DAYS = 120  # a family's own past before a block that it can be learned from


def block_starts(fleet_start: float, last: float) -> Float64s:
    """[B] days (since 1970) at which blocks begin, up to the day `last`."""
    starts: Float64s = fleet_start + BLOCK_STARTS
    return starts[starts <= last]


def has_past(first: Float64s | float, starts: Float64s) -> Bools:
    """[B] whether a family first read on the day `first` has a past that a block is learned from; [F, B] of many."""
    past: Bools = starts - np.expand_dims(first, -1) >= ENOUGH_DAYS
    return past
