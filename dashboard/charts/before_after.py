"""Readings lined up at an event: the median vehicle and the middle eight in ten, week by week from it."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import INK, READING


def lined_up(weekly: pl.DataFrame, *, unit: str) -> Drawn:
    """The chart.

    Args:
        weekly: `week` (from the event), `median, low, high, vehicles`.
        unit: Of the correction.
    """
    x = alt.X("week:Q", title="weeks from the event", axis=alt.Axis(tickMinStep=1))
    base = alt.Chart(weekly).encode(x=x)
    tooltip = [
        alt.Tooltip("week:Q", title="weeks from it"),
        alt.Tooltip("median:Q", format="+.3~g"),
        alt.Tooltip("low:Q", title="one in ten below", format="+.3~g"),
        alt.Tooltip("high:Q", title="one in ten above", format="+.3~g"),
        alt.Tooltip("vehicles:Q"),
    ]
    y = alt.Y("low:Q", title=f"change ({unit})" if unit else "change", scale=alt.Scale(zero=True))
    drawn: Drawn = alt.layer(
        base.mark_area(opacity=0.25, color=READING).encode(y=y, y2="high:Q"),
        alt.Chart(pl.DataFrame({"none": [0.0]})).mark_rule(strokeDash=[5, 3], color=INK).encode(y="none:Q"),
        alt.Chart(pl.DataFrame({"event": [0.0]})).mark_rule(strokeWidth=2, color=INK).encode(x="event:Q"),
        base.mark_line(strokeWidth=2.2, color=READING, point=alt.OverlayMarkDef(size=22)).encode(
            y="median:Q", tooltip=tooltip
        ),
    ).properties(width="container", height=300)
    return drawn
