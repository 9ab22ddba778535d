"""Each vehicle by how rare it is among its peers: by the isolation forest across, by the robust distance up."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import GROUPS, INK
from dashboard.views.peers import AGREEMENTS

WORDS = [label.split(" ", 1)[1] for label in AGREEMENTS]  # without the mark, which the legend draws itself
MOST_MARKS = 1500  # more marks than this say nothing more and slow the browser
SHAPES = ("square", "triangle-up", "diamond", "circle")
COLOURS = (GROUPS[3], GROUPS[1], GROUPS[0], GROUPS[4])
COMMONEST_PCT, TICKS = 100.0, [100, 30, 10, 3, 1, 0.3, 0.1]


def forest_against_distance(rows: pl.DataFrame, *, false_outlier_share: float | None) -> Drawn:
    """One mark a vehicle on two logarithmic axes, rarer to the right and up.

    Args:
        rows: `vehicle_id, outlier_score, distance_score` (0-1), `agreement, reasons`, most unlike first; drawn down to
            MOST_MARKS.
        false_outlier_share: Where the line of being an outlier stands (0-1); None: none is drawn.
    """
    shown = rows.head(MOST_MARKS).select(
        "vehicle_id",
        pl.col("agreement").replace_strict(dict(zip(AGREEMENTS, WORDS, strict=True))),
        pl.col("reasons").fill_null(""),
        forest=100 * (1 - pl.col("outlier_score")),
        distance=100 * (1 - pl.col("distance_score")),
    )
    rarest: float = shown.select(pl.min_horizontal(pl.col("forest", "distance").min(), pl.lit(0.1))).item()
    scale = alt.Scale(type="log", reverse=True, domain=[rarest, COMMONEST_PCT], nice=False, clamp=True)
    legend = alt.Legend(orient="top", title="Called an outlier", labelLimit=0, columns=2)
    axis = alt.Axis(values=TICKS, format="~g", labelExpr="datum.label + ' %'")
    marks = (
        alt.Chart(shown)
        .mark_point(filled=True, size=55, opacity=0.8)
        .encode(
            x=alt.X("forest:Q", title="healthy vehicle-weeks as odd, by the isolation forest", scale=scale, axis=axis),
            y=alt.Y("distance:Q", title="as far, by the robust distance", scale=scale, axis=axis),
            color=alt.Color(
                "agreement:N",
                scale=alt.Scale(domain=WORDS, range=COLOURS),
                legend=legend,
            ),
            shape=alt.Shape("agreement:N", scale=alt.Scale(domain=WORDS, range=SHAPES), legend=legend),
            tooltip=[
                alt.Tooltip("vehicle_id:N", title="vehicle"),
                alt.Tooltip("agreement:N", title="called an outlier"),
                alt.Tooltip("reasons:N", title="set apart by"),
                alt.Tooltip("forest:Q", title="as odd by the forest (%)", format=".2~g"),
                alt.Tooltip("distance:Q", title="as far by the distance (%)", format=".2~g"),
            ],
        )
    )
    drawn: Drawn = alt.layer(*_lines(false_outlier_share, scale), marks).properties(width="container", height=380)
    return drawn


def _lines(share: float | None, scale: alt.Scale) -> list[alt.Chart]:
    if share is None:
        return []
    at = alt.Chart(pl.DataFrame({"at": [100 * share]})).mark_rule(color=INK, strokeDash=[5, 3])
    return [at.encode(x=alt.X("at:Q", scale=scale)), at.encode(y=alt.Y("at:Q", scale=scale))]
