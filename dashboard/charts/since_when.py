"""Since when findings are seen, on a time axis with what people noted."""

from datetime import datetime

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.charts.notes import note_marks
from dashboard.palette import LIMIT

MOST = 20  # findings drawn
ROW, BELOW = 34, 90  # pixels a finding; below them stand the notes and the axis


def seen_since(issues: pl.DataFrame, notes: pl.DataFrame, until: datetime) -> Drawn:
    """A line a finding from its first event on, with notes along the lower edge.

    Args:
        issues: `label, first_seen_at`, in the order drawn; those without a time are left out.
        notes: `at, about, text`.
        until: End of the axis.
    """
    shown = issues.select("label", at="first_seen_at").drop_nulls().head(MOST).with_columns(until=pl.lit(until))
    begins = [*shown["at"], *notes["at"], until]
    x = alt.X(
        "at:T", title=None, scale=alt.Scale(domain=[f"{min(begins):%Y-%m-%dT%H:%M:%SZ}", f"{until:%Y-%m-%dT%H:%M:%SZ}"])
    )
    base = alt.Chart(shown).encode(
        x=x, y=alt.Y("label:N", title=None, sort=None, axis=None),
        tooltip=[
            alt.Tooltip("label:N", title="finding"), alt.Tooltip("at:T", title="first seen", format="%d %B %Y"),
        ],
    )  # fmt: skip
    drawn: Drawn = alt.layer(
        base.mark_rule(color=LIMIT, strokeWidth=2).encode(x2="until:T"),
        base.mark_point(filled=True, size=70, color=LIMIT),
        base.mark_text(align="left", dy=-10).encode(text="label:N"),
        *note_marks(notes, x),
    ).properties(width="container", height=ROW * shown.height + BELOW)
    return drawn
