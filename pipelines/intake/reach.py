"""Dates and times as far as Python can hold them, years 1 to 9999; a damaged or hostile file can hold others."""

from datetime import date

import polars as pl

EPOCH_DAY = date(1970, 1, 1).toordinal()
DAYS = (date(1, 1, 2).toordinal() - EPOCH_DAY, date(9999, 12, 30).toordinal() - EPOCH_DAY)  # a day less, for any zone
PER_DAY = {"ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}


def beyond_reach(times: pl.Series) -> pl.Series | None:
    """Where a date or time cannot be held; None: nowhere."""
    per_day = PER_DAY[times.dtype.time_unit] if isinstance(times.dtype, pl.Datetime) else 1
    physical = times.to_physical()
    low, high = (day * per_day for day in DAYS)
    least, most = physical.min(), physical.max()
    if not isinstance(least, int) or not isinstance(most, int) or (least >= low and most <= high):
        return None
    return ~physical.is_between(max(low, -(2**63)), min(high, 2**63 - 1))


def as_text_beyond(times: pl.Series) -> pl.Series:
    """Dates or times as they are; where one cannot be held, all as text, and that one as its bare number."""
    beyond = beyond_reach(times)
    if beyond is None:
        return times
    held = times.set(beyond, None).dt.to_string("iso")
    return held.fill_null(times.to_physical().cast(pl.String)).alias(times.name)
