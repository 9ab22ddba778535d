"""Charts of the recurring page: a finding month by month, and how long work stands."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import DASHES, GROUPS, INK, LIMIT


def finding_trend(months: pl.DataFrame) -> Drawn:
    """Events of each month beside what the rest of the fleet would have had.

    Args:
        months: `month, events, expected`, of one finding.
    """
    axis = alt.Axis(title=None, format="%b %Y", labelOverlap=True)
    base = alt.Chart(months).encode(
        x=alt.X("month:T", axis=axis),
        tooltip=[
            alt.Tooltip("month:T", title="month", format="%B %Y"),
            alt.Tooltip("events:Q", title="came"),
            alt.Tooltip("expected:Q", title="at the rate of the others", format=".2f"),
        ],
    )
    drawn: Drawn = alt.layer(
        base.mark_bar(color=LIMIT, opacity=0.75, width={"band": 0.8}).encode(
            x=alt.X("yearmonth(month):O", axis=alt.Axis(title=None, format="%b %Y", labelOverlap=True, labelAngle=0)),
            y=alt.Y("events:Q", title="events", axis=alt.Axis(tickMinStep=1)),
        ),
        base.mark_line(color=INK, strokeDash=[5, 3], point={"color": INK, "size": 18}).encode(
            x=alt.X("yearmonth(month):O"), y="expected:Q"
        ),
    ).properties(width="container", height=180)
    return drawn


def survival(curves: pl.DataFrame, order: list[str]) -> Drawn:
    """Shares of work that stands by days since it was done, with limits of the first alone drawn as a band.

    Args:
        curves: `name, days, standing, low, high`; steps.
        order: Names in the order of their colours.
    """
    legend = alt.Legend(orient="bottom", columns=1, labelLimit=320, title=None)
    colour = alt.Color(
        "name:N", scale=alt.Scale(domain=order, range=list(GROUPS)[: len(order)]), sort=order, legend=legend
    )
    dash = alt.StrokeDash(
        "name:N", scale=alt.Scale(domain=order, range=list(DASHES)[: len(order)]), sort=order, legend=legend
    )
    x = alt.X("days:Q", title="days since the work", axis=alt.Axis(tickMinStep=1))
    scale = alt.Scale(domain=[0, 1])
    first = alt.Chart(curves.filter(pl.col("name") == order[0]))
    base = alt.Chart(curves).encode(
        x=x,
        tooltip=[
            alt.Tooltip("name:N", title="work"),
            alt.Tooltip("days:Q", title="days"),
            alt.Tooltip("standing:Q", title="still stands", format=".0%"),
            alt.Tooltip("low:Q", title="at least", format=".0%"),
            alt.Tooltip("high:Q", title="at most", format=".0%"),
        ],
    )
    drawn: Drawn = alt.layer(
        first.mark_area(interpolate="step-after", color=GROUPS[0], opacity=0.15).encode(
            x=x, y=alt.Y("low:Q", title="still stands", scale=scale, axis=alt.Axis(format=".0%")), y2="high:Q"
        ),
        base.mark_line(interpolate="step-after", strokeWidth=2).encode(
            y=alt.Y("standing:Q", scale=scale), color=colour, strokeDash=dash
        ),
        base.mark_point(size=30, opacity=0).encode(y="standing:Q"),
    ).properties(width="container", height=330)
    return drawn
