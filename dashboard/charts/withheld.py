"""The history of a few vehicles around a batch that is withheld: as it came, and as converted."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import GROUPS

KINDS = ("other readings", "as they came", "as converted")
SHAPES = ("circle", "triangle-up", "square")
COLOURS = (GROUPS[0], GROUPS[1], GROUPS[3])


def beside_history(history: pl.DataFrame, title: str) -> Drawn:
    """One small field a vehicle: its readings over time, by kind.

    Args:
        history: vehicle_id, read_at, kind (of `KINDS`), value.
        title: Of the column.
    """
    kinds = [kind for kind in KINDS if kind in history["kind"].to_list()]
    at = [KINDS.index(kind) for kind in kinds]
    legend = alt.Legend(orient="top", title=None)
    marks = (
        alt.Chart(history)
        .mark_point(filled=True, size=35, opacity=0.85)
        .encode(
            x=alt.X("read_at:T", title=None),
            y=alt.Y("value:Q", title=title, scale=alt.Scale(zero=False)),
            color=alt.Color("kind:N", scale=alt.Scale(domain=kinds, range=[COLOURS[i] for i in at]), legend=legend),
            shape=alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=[SHAPES[i] for i in at]), legend=legend),
            tooltip=["vehicle_id:N", "read_at:T", "kind:N", "value:Q"],
        )
        .properties(width=240, height=120)
    )
    drawn: Drawn = marks.facet(column=alt.Column("vehicle_id:N", title=None))
    return drawn
