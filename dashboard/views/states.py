"""What a correction's state is called beside its newest reading, which alone may lie outside the band; frames in, out.

A state is judged by many readings. One that is off by itself changes none, and the page that shows both says so.
"""

import polars as pl

from dashboard.palette import STATE, look

QUIET = ("steady", "relearning", "not_learning")
OFF = ", newest reading off"  # stands behind the state of a correction whose newest reading alone is outside its band


def reading_off() -> pl.Expr:
    """Whether a row of `correction_state` is quiet while its newest reading lies outside the band beside it."""
    outside = (pl.col("value") < pl.col("band_low")) | (pl.col("value") > pl.col("band_high"))
    return (pl.col("state").is_in(QUIET) & outside).fill_null(value=False)


def state_words() -> pl.Expr:
    """Mark and word of the state, with what its newest reading does where that is something else."""
    labels = {state: each.label for state, each in STATE.items()}
    word = pl.col("state").replace_strict(labels, default=look(STATE, None).label, return_dtype=pl.String)
    return pl.when(reading_off()).then(word + OFF).otherwise(word)
