"""Corrections by group: in time, their spread at a date, one against the other, and what two groups differ by."""

from collections.abc import Sequence

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.charts.notes import note_marks
from dashboard.palette import BAND, DASHES, GROUPS, INK, READING

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross")
HEIGHT, LOWER = 360, 280  # pixels of one chart, and of one of several
TIME = alt.Axis(format="%b %Y", tickCount=8)


def _legend() -> alt.Legend:
    return alt.Legend(
        orient="top", title=None, labelLimit=0, columns=3, symbolOpacity=1, symbolType="stroke", symbolSize=600
    )


def _by_group(groups: Sequence[str]) -> tuple[alt.Color, alt.StrokeDash]:
    """A colour and a dash a group, so that colour is never alone."""
    names = list(groups)
    return (
        alt.Color("group:N", scale=alt.Scale(domain=names, range=list(GROUPS[: len(names)])), legend=_legend()),
        alt.StrokeDash("group:N", scale=alt.Scale(domain=names, range=list(DASHES[: len(names)])), legend=_legend()),
    )


def ribbons(
    weekly: pl.DataFrame,
    notes: pl.DataFrame,
    *,
    groups: Sequence[str],
    unit: str,
    split: str,
    domain: tuple[float, float] | None = None,
) -> Drawn:
    """Median, middle half and middle 80 % of vehicles a week, one colour and dash a group, with notes along the edge.

    Args:
        weekly: `group, week, low, quarter, median, three_quarters, high, vehicles`.
        notes: `at, about, text`, within those weeks.
        groups: All that may stand in it, in the order of the legend.
        unit: Of the correction.
        split: What the groups are, for the tooltip.
        domain: From and to of the value, where several charts stand beside each other; None: as the values are.
    """
    colour, dash = _by_group(groups)
    base = alt.Chart(weekly).encode(x=alt.X("week:T", title=None, axis=TIME))
    tooltip = [
        alt.Tooltip("week:T", title="week of", format="%d %B %Y"),
        alt.Tooltip("group:N", title=split),
        alt.Tooltip("median:Q", format=".4~g"),
        alt.Tooltip("quarter:Q", title="a quarter below", format=".4~g"),
        alt.Tooltip("three_quarters:Q", title="a quarter above", format=".4~g"),
        alt.Tooltip("low:Q", title="one in ten below", format=".4~g"),
        alt.Tooltip("high:Q", title="one in ten above", format=".4~g"),
        alt.Tooltip("vehicles:Q"),
    ]
    scale = alt.Scale(zero=False) if domain is None else alt.Scale(domain=list(domain), nice=True, clamp=True)
    drawn: Drawn = alt.layer(
        base.mark_area(opacity=0.12).encode(
            y=alt.Y("low:Q", title=unit or "value", scale=scale), y2="high:Q", color=colour
        ),
        base.mark_area(opacity=0.16).encode(y="quarter:Q", y2="three_quarters:Q", color=colour),
        base.mark_line(strokeWidth=2.2, point=alt.OverlayMarkDef(size=14)).encode(
            y="median:Q", color=colour, strokeDash=dash, tooltip=tooltip
        ),
        *note_marks(notes, alt.X("at:T", title=None, axis=TIME)),
    ).properties(width="container", height=HEIGHT if domain is None else LOWER)
    return drawn


def histogram(bins: pl.DataFrame, *, groups: Sequence[str], axis: str, split: str) -> Drawn:
    """Share of each group's vehicles by value, as steps, one colour and dash a group.

    Args:
        bins: `group, low, high, share, vehicles`.
        groups: All that stand in it, in the order of the legend.
        axis: What goes across.
        split: What the groups are, for the tooltip.
    """
    colour, dash = _by_group(groups)
    base = alt.Chart(bins.with_columns(middle=(pl.col("low") + pl.col("high")) / 2)).encode(
        x=alt.X("middle:Q", title=axis, scale=alt.Scale(zero=False)),
        y=alt.Y("share:Q", title="share of the group's vehicles", axis=alt.Axis(format="%")),
        color=colour,
    )
    drawn: Drawn = alt.layer(
        base.mark_area(interpolate="step", opacity=0.12).encode(y=alt.Y("share:Q", stack=None)),
        base.mark_line(interpolate="step", strokeWidth=2.2).encode(strokeDash=dash),
        base.mark_point(size=60, opacity=0).encode(
            tooltip=[
                alt.Tooltip("group:N", title=split),
                alt.Tooltip("low:Q", title="from", format=".4~g"),
                alt.Tooltip("high:Q", title="to", format=".4~g"),
                alt.Tooltip("share:Q", format=".1%"),
                alt.Tooltip("vehicles:Q"),
            ]
        ),
    ).properties(width="container", height=HEIGHT)
    return drawn


def points(rows: pl.DataFrame, *, groups: Sequence[str], across: str, up: str) -> Drawn:
    """One mark a vehicle, a colour and shape a group.

    Args:
        rows: `vehicle_id, group, across, up`.
        groups: All that stand in it, in the order of the legend.
        across: Title of the axis across.
        up: Of the axis up.
    """
    names = list(groups)
    legend = alt.Legend(orient="top", title=None, labelLimit=0, columns=2)
    base = alt.Chart(rows).mark_point(filled=True, size=45, opacity=0.7)
    drawn: Drawn = base.encode(
        x=alt.X("across:Q", title=across, scale=alt.Scale(zero=False)),
        y=alt.Y("up:Q", title=up, scale=alt.Scale(zero=False)),
        color=alt.Color("group:N", scale=alt.Scale(domain=names, range=list(GROUPS[: len(names)])), legend=legend),
        shape=alt.Shape("group:N", scale=alt.Scale(domain=names, range=list(SHAPES[: len(names)])), legend=legend),
        tooltip=[
            alt.Tooltip("vehicle_id:N", title="vehicle"),
            alt.Tooltip("group:N", title="group"),
            alt.Tooltip("across:Q", title=across, format=".4~g"),
            alt.Tooltip("up:Q", title=up, format=".4~g"),
        ],
    ).properties(width="container", height=HEIGHT)
    return drawn


def fields(counted: pl.DataFrame, *, across: str, up: str) -> Drawn:
    """Very many vehicles: how many stand in each field, the fuller the more.

    Args:
        counted: `across, across_end, up, up_end, vehicles`.
        across: Title of the axis across.
        up: Of the axis up.
    """
    base = alt.Chart(counted).mark_rect(color=READING)
    drawn: Drawn = base.encode(
        x=alt.X("across:Q", title=across, scale=alt.Scale(zero=False)),
        x2="across_end:Q",
        y=alt.Y("up:Q", title=up, scale=alt.Scale(zero=False)),
        y2="up_end:Q",
        opacity=alt.Opacity(
            "vehicles:Q", scale=alt.Scale(type="log", range=[0.15, 1.0]), legend=alt.Legend(format="d", tickCount=4)
        ),
        tooltip=[
            alt.Tooltip("vehicles:Q"),
            alt.Tooltip("across:Q", title=across, format=".4~g"),
            alt.Tooltip("up:Q", title=up, format=".4~g"),
        ],
    ).properties(width="container", height=HEIGHT)
    return drawn


def difference(periods: pl.DataFrame, notes: pl.DataFrame, *, unit: str) -> Drawn:
    """The first group above the second in time, with the interval that holds it 95 times in a hundred.

    Args:
        periods: `from, difference, low, high, first_vehicles, second_vehicles`.
        notes: `at, about, text`, within that time.
        unit: Of the correction.
    """
    base = alt.Chart(periods).encode(x=alt.X("from:T", title=None, axis=TIME))
    y = alt.Y(
        "low:Q", title=f"first above second ({unit})" if unit else "first above second", scale=alt.Scale(zero=True)
    )
    drawn: Drawn = alt.layer(
        base.mark_area(opacity=0.35, color=BAND).encode(y=y, y2="high:Q"),
        alt.Chart(pl.DataFrame({"none": [0.0]})).mark_rule(strokeDash=[5, 3], color=INK).encode(y="none:Q"),
        base.mark_line(strokeWidth=2.2, color=READING, point=alt.OverlayMarkDef(size=30, color=READING)).encode(
            y="difference:Q",
            tooltip=[
                alt.Tooltip("from:T", title="four weeks from", format="%d %B %Y"),
                alt.Tooltip("difference:Q", title="first above second", format="+.3~g"),
                alt.Tooltip("low:Q", title="at least", format="+.3~g"),
                alt.Tooltip("high:Q", title="at most", format="+.3~g"),
                alt.Tooltip("first_vehicles:Q", title="vehicles of the first"),
                alt.Tooltip("second_vehicles:Q", title="of the second"),
            ],
        ),
        *note_marks(notes, alt.X("at:T", title=None, axis=TIME)),
    ).properties(width="container", height=HEIGHT)
    return drawn
