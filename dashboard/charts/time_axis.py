"""The axis of time of a chart: months where they are long enough ago from each other, else days."""

from datetime import timedelta

import altair as alt
import polars as pl

MONTH = timedelta(days=28)  # the shortest: ticks that lie closer would say the same month twice


def time_axis(times: pl.Series, *, ticks: int) -> alt.Axis:
    """Ticks with month and year, or with day and month where several would lie in one month.

    Args:
        times: That are drawn.
        ticks: About how many there are to be.
    """
    first, last = times.min(), times.max()
    close = first is not None and last - first < ticks * MONTH  # type: ignore[operator]
    return alt.Axis(format="%-d %b" if close else "%b %Y", labelOverlap=True, tickCount=ticks)
