"""The chart of what a later visit costs."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import READING


def cost_of_waiting(rows: pl.DataFrame) -> Drawn:
    """Expected cost by the day of the visit, in a band of the forecast's 90 % interval.

    Args:
        rows: `day, cost, low, high`.
    """
    base = alt.Chart(rows).encode(x=alt.X("day:T", title="day of the visit"))
    drawn: Drawn = alt.layer(
        base.mark_area(color=READING, opacity=0.2).encode(y=alt.Y("low:Q", title="expected cost"), y2="high:Q"),
        base.mark_line(color=READING).encode(
            y="cost:Q",
            tooltip=[
                alt.Tooltip("day:T"),
                alt.Tooltip("cost:Q", format=",.0f"),
                alt.Tooltip("low:Q", format=",.0f"),
                alt.Tooltip("high:Q", format=",.0f"),
            ],
        ),
    ).properties(width="container", height=150)
    return drawn
