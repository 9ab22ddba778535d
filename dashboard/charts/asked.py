"""Two columns of an answer as a simple chart."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import READING

HEIGHT = 260  # pixels


def two_columns(rows: pl.DataFrame, across: str, up: str, mark: str) -> Drawn:
    """A line over time, bars by name in the order of the rows, or a point a row.

    Args:
        rows: Any columns; their names may hold any letters.
        across: Column across.
        up: Column of figures.
        mark: `line`, `bars` or `points`.
    """
    shown = rows.select(pl.col(across).alias("across"), pl.col(up).cast(pl.Float64).alias("up"))
    kind = {"line": "T", "bars": "N", "points": "Q"}[mark]
    whole = alt.Axis(tickMinStep=1) if rows[up].dtype.is_integer() else alt.Axis()
    named, figure = (
        alt.Tooltip(f"across:{kind}", title=across),
        alt.Tooltip("up:Q", title=up, format=".4~g"),
    )
    if mark == "bars":
        drawn: Drawn = (
            alt.Chart(shown)
            .mark_bar(color=READING)
            .encode(
                y=alt.Y("across:N", title=None, sort=None, axis=alt.Axis(labelLimit=220)),
                x=alt.X("up:Q", title=up, axis=whole),
                tooltip=[named, figure],
            )
            .properties(width="container", height=alt.Step(22))
        )
        return drawn
    chart = alt.Chart(shown)
    marked = (
        chart.mark_line(color=READING, point={"color": READING, "size": 25})
        if mark == "line"
        else chart.mark_circle(color=READING, size=30, opacity=0.7)
    )
    drawn = marked.encode(
        x=alt.X(f"across:{kind}", title=across, scale=alt.Scale(zero=False) if kind == "Q" else alt.Undefined),
        y=alt.Y("up:Q", title=up, scale=alt.Scale(zero=False)),
        tooltip=[named, figure],
    ).properties(width="container", height=HEIGHT)
    return drawn  # noqa: RET504 (its type is Altair's)
