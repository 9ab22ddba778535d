"""Small lines, one a correction, in lanes of the same measure: who leaves the band is seen at a glance."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.charts.time_axis import time_axis
from dashboard.palette import BAND, STATE
from dashboard.views.lanes import FARTHEST

LANE = 26  # pixels
GAP = 0.12  # share of a lane left free between two


def lanes(rows: pl.DataFrame) -> Drawn:
    """The lines of one group.

    Args:
        rows: `title, read_at, away` (half-bands), `state` (word).
    """
    looks = [each for each in STATE.values() if each.word in set(rows.get_column("state"))]
    colour = alt.Color(
        "state:N",
        scale=alt.Scale(domain=[each.word for each in looks], range=[each.colour for each in looks]),
        legend=alt.Legend(orient="top", title=None, labelLimit=0),
    )
    apart = alt.Scale(paddingInner=GAP, paddingOuter=0)
    lane = alt.Y("title:N", title=None, sort=None, scale=apart, axis=alt.Axis(labelLimit=230, grid=False))
    off = alt.YOffset("away:Q", scale=alt.Scale(domain=[-FARTHEST, FARTHEST]))
    ends = (
        rows.group_by("title", maintain_order=True)
        .agg(begins=pl.col("read_at").min(), ends=pl.col("read_at").max())
        .with_columns(low=pl.lit(-1.0), high=pl.lit(1.0))
    )
    x = alt.X("read_at:T", title=None, axis=time_axis(rows.get_column("read_at"), ticks=5))
    band = (
        alt.Chart(pl.concat([ends.select("title", read_at=pl.col(at), away=pl.lit(0.0)) for at in ("begins", "ends")]))
        .mark_line(color=BAND, opacity=0.35, strokeWidth=LANE * (1 - GAP) / FARTHEST)
        .encode(x=x, y=lane, yOffset=off, detail="title:N")
    )
    line = (
        alt.Chart(rows)
        .mark_line(strokeWidth=1.5)
        .encode(
            x=x,
            y=lane,
            yOffset=off,
            color=colour,
            detail="title:N",
            tooltip=[
                alt.Tooltip("title:N", title="correction"),
                alt.Tooltip("read_at:T", title="read", format="%d %B %Y"),
                alt.Tooltip("away:Q", title="half-bands from expected", format=".1f"),
                alt.Tooltip("state:N", title="state today"),
            ],
        )
    )
    drawn: Drawn = alt.layer(band, line).properties(width="container", height=alt.Step(LANE))
    return drawn
