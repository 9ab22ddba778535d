"""Marks of notes along the lower edge of a chart over time."""

import altair as alt
import polars as pl

from dashboard.palette import INK

STRIP = 14  # pixels above the lower edge at which marks stand


def note_marks(notes: pl.DataFrame, x: alt.X) -> list[alt.Chart]:
    """A line and a dot a day with what was noted on the tooltip; none where there is no note.

    Args:
        notes: `at, about, text`.
        x: The chart's axis, of the field `at`.
    """
    if not notes.height:
        return []
    noted = pl.concat_str(pl.col("about"), pl.lit(": "), pl.col("text"))
    shown = notes.group_by(at=pl.col("at").dt.truncate("1d")).agg(text=noted.unique(maintain_order=True).str.join("; "))
    base = alt.Chart(shown.sort("at")).encode(
        x=x, tooltip=[alt.Tooltip("at:T", title="when", format="%d %B %Y"), alt.Tooltip("text:N", title="noted")]
    )
    dots = base.mark_point(filled=True, size=80, color=INK, opacity=1, yOffset=-STRIP, shape="circle")
    return [base.mark_rule(color=INK, opacity=0.25), dots.encode(y=alt.value("height"))]
