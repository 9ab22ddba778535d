"""One correction of one vehicle in time: readings, expected value and band, limit, events, onset, way to the limit."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import BAND, INK, LIMIT, READING, URGENCY

COLOURS = {
    "Reading": READING,
    "Smoothed level": "#1F5C74",
    "Expected": INK,
    "Normal band": BAND,
    "Limit": LIMIT,
    "Onset": URGENCY["this_week"].colour,
    "Way to the limit": LIMIT,
}
EVENT_SHAPES = {"work": "square", "fault": "triangle-up", "power": "cross", "calibration": "diamond", "note": "circle"}
EVENT_WORDS = {
    "work": "Work",
    "fault": "Fault set",
    "power": "Power lost",
    "calibration": "Calibration",
    "note": "Note",
}
LIMIT_SHOWN_FROM = 0.25  # share of the authority used up at which the limit is drawn to scale
HORIZON_DAYS = 180.0  # how far past as_of the way to the limit is drawn


def correction_path(
    path: pl.DataFrame, row: Mapping[str, Any], events: pl.DataFrame, *, as_of: datetime, unit: str, height: int = 340
) -> Drawn:
    """The chart of one correction.

    Args:
        path: `read_at, value, expected, band_low, band_high, level` by read_at.
        row: Its row of correction_state with low_limit, high_limit of the catalogue.
        events: `at, kind, text` of the vehicle.
        as_of: The published state's time; the way to the limit starts here.
        unit: Of the correction, as read.
        height: Of the main part, in pixels.
    """
    shown = path.select("read_at", "value", "expected", "band_low", "band_high", "level")
    limits = limits_drawn(shown, row)
    layers: list[alt.Chart] = [*_band(shown, unit), *_onset(row), *_lines(shown), *_limits(limits)]
    layers += _way(shown, row, limits, as_of)
    main = alt.layer(*layers).properties(height=height, width="container")
    if not events.height:
        return main.properties(usermeta={"limits": limits})
    strip = _strip(events, shown, as_of)
    drawn: Drawn = alt.vconcat(main, strip, spacing=4).resolve_scale(
        x="shared", color="independent", shape="independent"
    )
    return drawn


def limits_drawn(path: pl.DataFrame, row: Mapping[str, Any]) -> list[float]:
    """Limits near enough to the readings to be drawn to scale; the others would flatten the chart."""
    expected, level = _last(path, "expected"), _last(path, "level")
    if expected is None or level is None:
        return []
    drawn = []
    for limit in (row["low_limit"], row["high_limit"]):
        if limit is None or limit == expected:
            continue
        used = max((level - expected) / (limit - expected), 0.0)
        if used >= LIMIT_SHOWN_FROM:
            drawn.append(float(limit))
    return drawn


def _last(path: pl.DataFrame, column: str) -> float | None:
    known = path.get_column(column).drop_nulls().drop_nans()
    return float(known[-1]) if known.len() else None


def _colour(name: str) -> alt.Color:
    return alt.Color(
        datum=name,
        scale=alt.Scale(domain=list(COLOURS), range=list(COLOURS.values())),
        legend=alt.Legend(orient="top", title=None, columns=4, labelLimit=0),
    )


def _x(field: str) -> alt.X:
    return alt.X(f"{field}:T", title=None, axis=alt.Axis(format="%b %Y", labelOverlap=True, tickCount=8))


def _y(field: str, title: str | None = None) -> alt.Y:
    return alt.Y(f"{field}:Q", title=title, scale=alt.Scale(zero=False, nice=True))


def _band(path: pl.DataFrame, unit: str) -> list[alt.Chart]:
    return [
        alt.Chart(path)
        .mark_area(opacity=0.28)
        .encode(x=_x("read_at"), y=_y("band_low", unit or "value"), y2="band_high:Q", color=_colour("Normal band"))
    ]


def _lines(path: pl.DataFrame) -> list[alt.Chart]:
    base = alt.Chart(path).encode(x=_x("read_at"))
    tooltip = [
        alt.Tooltip("read_at:T", title="read", format="%d %B %Y %H:%M"),
        alt.Tooltip("value:Q", title="reading", format=".4~g"),
        alt.Tooltip("expected:Q", title="expected", format=".4~g"),
        alt.Tooltip("level:Q", title="smoothed level", format=".4~g"),
    ]
    return [
        base.mark_line(strokeDash=[5, 3], strokeWidth=1.5).encode(y=_y("expected"), color=_colour("Expected")),
        base.mark_line(strokeWidth=2).encode(y=_y("level"), color=_colour("Smoothed level")),
        base.mark_point(size=18, filled=True, opacity=0.75).encode(
            y=_y("value"), color=_colour("Reading"), tooltip=tooltip
        ),
    ]


def _limits(limits: list[float]) -> list[alt.Chart]:
    if not limits:
        return []
    frame = pl.DataFrame({"limit": limits})
    return [alt.Chart(frame).mark_rule(strokeDash=[8, 3], strokeWidth=2).encode(y=_y("limit"), color=_colour("Limit"))]


def _onset(row: Mapping[str, Any]) -> list[alt.Chart]:
    onset, low, high = row["onset_at"], row["onset_low"], row["onset_high"]
    if onset is None:
        return []
    frame = pl.DataFrame({"onset": [onset], "low": [low or onset], "high": [high or onset]})
    base = alt.Chart(frame)
    return [
        base.mark_rect(opacity=0.16).encode(x=_x("low"), x2="high:T", color=_colour("Onset")),
        base.mark_rule(strokeWidth=1.5, strokeDash=[2, 2]).encode(
            x=_x("onset"),
            color=_colour("Onset"),
            tooltip=[
                alt.Tooltip(f"{name}:T", title=title, format="%d %B %Y")
                for name, title in (("onset", "began about"), ("low", "at the earliest"), ("high", "at the latest"))
            ],
        ),
    ]


def _way(path: pl.DataFrame, row: Mapping[str, Any], limits: list[float], as_of: datetime) -> list[alt.Chart]:
    """From the level now to the limit at the early, middle and late date."""
    level, expected = _last(path, "level"), _last(path, "expected")
    ahead = [
        limit
        for limit in limits
        if level is not None and expected is not None and (limit - level) * (level - expected) >= 0
    ]
    if not ahead or level is None:
        return []
    end = as_of + timedelta(days=HORIZON_DAYS)
    starts = path.get_column("read_at").max()
    lines = []
    for name, at in (("early", row["limit_at_p10"]), ("middle", row["limit_at_p50"]), ("late", row["limit_at_p90"])):
        if at is not None and at > as_of:
            reached = min(at, end)
            share = (reached - as_of) / (at - as_of)
            lines += [(name, starts, level), (name, reached, level + share * (ahead[0] - level))]
    if not lines:
        return []
    frame = pl.DataFrame(
        lines, schema={"date": pl.String, "at": pl.Datetime("us", "UTC"), "value": pl.Float64}, orient="row"
    )
    return [
        alt.Chart(frame)
        .mark_line(strokeWidth=1.5)
        .encode(
            x=_x("at"),
            y=_y("value"),
            detail="date:N",
            color=_colour("Way to the limit"),
            strokeDash=alt.StrokeDash(
                "date:N",
                legend=None,
                scale=alt.Scale(domain=["early", "middle", "late"], range=[[3, 3], [1, 0], [3, 3]]),
            ),
        )
    ]


def _strip(events: pl.DataFrame, path: pl.DataFrame, as_of: datetime) -> Drawn:
    first = path.get_column("read_at").min()
    shown = events.filter(pl.col("at").is_between(first or as_of, as_of)).with_columns(
        kind=pl.col("kind").replace_strict(EVENT_WORDS, default=pl.col("kind"))
    )
    words = list(EVENT_WORDS.values())
    drawn: Drawn = (
        alt.Chart(shown)
        .mark_point(filled=True, size=70, color=INK, opacity=0.9)
        .encode(
            x=_x("at"),
            y=alt.Y("kind:N", title=None, scale=alt.Scale(domain=words), axis=alt.Axis(domain=False, ticks=False)),
            shape=alt.Shape("kind:N", legend=None, scale=alt.Scale(domain=words, range=list(EVENT_SHAPES.values()))),
            tooltip=[alt.Tooltip("at:T", title="when", format="%d %B %Y"), alt.Tooltip("text:N", title="what")],
        )
        .properties(height=90, width="container")
    )
    return drawn
