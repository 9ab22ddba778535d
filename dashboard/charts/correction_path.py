"""One correction of one vehicle in time: readings, expected value and band, limit, events, onset, way to the limit."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.charts.time_axis import time_axis
from dashboard.palette import BAND, INK, LIMIT, READING, URGENCY

COLOURS = {
    "Normal band": BAND,
    "Expected": INK,
    "Smoothed level": "#1F8A9E",
    "Reading": READING,
    "Withheld": INK,
    "Onset": URGENCY["this_week"].colour,
    "Limit": LIMIT,
    "Way to the limit": LIMIT,
}
EVENTS = {  # kind -> word, shape
    "work": ("Work", "square"),
    "fault": ("Fault set", "triangle-up"),
    "power": ("Power lost", "cross"),
    "calibration": ("Calibration", "diamond"),
    "note": ("Note", "circle"),
}
DATES = {"early": [2, 3], "middle": [1, 0], "late": [2, 3]}  # of the way to the limit -> dash
LIMIT_SHOWN_FROM = 0.25  # share of the authority used up at which the limit is drawn to scale
HORIZON = timedelta(days=180)  # how far past as_of the way to the limit is drawn
STRIP = 14  # pixels above the lower edge at which events stand


def correction_path(
    path: pl.DataFrame, row: Mapping[str, Any], events: pl.DataFrame, *, as_of: datetime, unit: str, height: int = 360,
    withheld: pl.DataFrame | None = None,
) -> Drawn:  # fmt: skip
    """The chart of one correction.

    Args:
        path: `read_at, value, expected, band_low, band_high, level` by read_at.
        row: Its row of correction_state with low_limit, high_limit of the catalogue.
        events: `at, kind, text` of the vehicle.
        as_of: The published state's time; the way to the limit starts at the last reading before it.
        unit: Of the correction, as read.
        height: In pixels.
        withheld: `read_at, value` of readings that no figure rests on; None: there are none.
    """
    limits = limits_drawn(path, row)
    layers = [
        *_band(path, unit),
        *_onset(row, path),
        *_expectation(path, unit),
        *_limits(limits, unit),
        *_way(path, row, limits, as_of, unit),
        *_readings(path, unit),
        *_withheld(path, withheld, unit),
    ]
    names = [name for name in COLOURS if any(name == drawn_name for drawn_name, _ in layers)]
    colour = alt.Color(
        "what:N",
        scale=alt.Scale(domain=names, range=[COLOURS[name] for name in names]),
        legend=alt.Legend(orient="top", title=None, columns=3, labelLimit=0, symbolOpacity=1),
    )
    charts = [layer.transform_calculate(what=f"'{name}'").encode(color=colour) for name, layer in layers]
    drawn: Drawn = (
        alt.layer(*charts, *_events(events, path, as_of))
        .resolve_scale(shape="independent")
        .properties(height=height, width="container")
    )
    return drawn


def limits_drawn(path: pl.DataFrame, row: Mapping[str, Any]) -> list[float]:
    """Limits near enough to the readings to be drawn to scale; the others would flatten the chart."""
    expected, level = _last(path, "expected"), _last(path, "level")
    if expected is None or level is None:
        return []
    known = (limit for limit in (row["low_limit"], row["high_limit"]) if limit is not None and limit != expected)
    return [float(limit) for limit in known if (level - expected) / (limit - expected) >= LIMIT_SHOWN_FROM]


def _last(path: pl.DataFrame, column: str) -> float | None:
    known = path.get_column(column).drop_nulls().drop_nans()
    return float(known[-1]) if known.len() else None


def _x(field: str, path: pl.DataFrame) -> alt.X:
    return alt.X(f"{field}:T", title=None, axis=time_axis(path.get_column("read_at"), ticks=8))


def _y(field: str, unit: str) -> alt.Y:
    axis = alt.Axis(titleAngle=0, titleAlign="left", titleY=-10, titleX=-30)
    return alt.Y(f"{field}:Q", title=unit or "value", axis=axis, scale=alt.Scale(zero=False, nice=True))


def _band(path: pl.DataFrame, unit: str) -> list[tuple[str, alt.Chart]]:
    band = path.select("read_at", "band_low", "band_high").drop_nulls()
    if not band.height:
        return []
    shade = alt.Chart(band).mark_area(opacity=0.3)
    return [("Normal band", shade.encode(x=_x("read_at", path), y=_y("band_low", unit), y2="band_high:Q"))]


def _expectation(path: pl.DataFrame, unit: str) -> list[tuple[str, alt.Chart]]:
    lines = path.select("read_at", "expected", "level").drop_nulls("expected")
    if not lines.height:
        return []
    base = alt.Chart(lines).encode(x=_x("read_at", path))
    return [
        ("Expected", base.mark_line(strokeDash=[5, 3], strokeWidth=1.5).encode(y=_y("expected", unit))),
        ("Smoothed level", base.mark_line(strokeWidth=2).encode(y=_y("level", unit))),
    ]


def _readings(path: pl.DataFrame, unit: str) -> list[tuple[str, alt.Chart]]:
    tooltip = [
        alt.Tooltip("read_at:T", title="read", format="%d %B %Y %H:%M"),
        alt.Tooltip("value:Q", title="reading", format=".4~g"),
        alt.Tooltip("expected:Q", title="expected", format=".4~g"),
        alt.Tooltip("level:Q", title="smoothed level", format=".4~g"),
    ]
    points = alt.Chart(path.select("read_at", "value", "expected", "level").drop_nulls("value"))
    marked = points.mark_point(size=22, filled=True, opacity=0.8)
    return [("Reading", marked.encode(x=_x("read_at", path), y=_y("value", unit), tooltip=tooltip))]


def _withheld(path: pl.DataFrame, withheld: pl.DataFrame | None, unit: str) -> list[tuple[str, alt.Chart]]:
    """What is left out, as crosses; one that would flatten the chart stands at the edge of what was read."""
    read = path.get_column("value").drop_nulls()
    if withheld is None or withheld.is_empty() or read.is_empty():
        return []
    shown = withheld.with_columns(at=pl.col("value").clip(pl.lit(read).min(), pl.lit(read).max()))
    tooltip = [
        alt.Tooltip("read_at:T", title="read", format="%d %B %Y %H:%M"),
        alt.Tooltip("value:Q", title="withheld, came as", format=".4~g"),
    ]
    marks = alt.Chart(shown).mark_point(shape="cross", size=60, filled=False, opacity=1)
    return [("Withheld", marks.encode(x=_x("read_at", path), y=_y("at", unit), tooltip=tooltip))]


def _limits(limits: list[float], unit: str) -> list[tuple[str, alt.Chart]]:
    if not limits:
        return []
    rule = alt.Chart(pl.DataFrame({"limit": limits})).mark_rule(strokeDash=[8, 3], strokeWidth=2)
    return [("Limit", rule.encode(y=_y("limit", unit)))]


def _onset(row: Mapping[str, Any], path: pl.DataFrame) -> list[tuple[str, alt.Chart]]:
    onset, low, high = row["onset_at"], row["onset_low"], row["onset_high"]
    if onset is None:
        return []
    base = alt.Chart(pl.DataFrame({"onset": [onset], "low": [low or onset], "high": [high or onset]}))
    named = (("onset", "began about"), ("low", "at the earliest"), ("high", "at the latest"))
    tooltip = [alt.Tooltip(f"{name}:T", title=title, format="%d %B %Y") for name, title in named]
    rule = base.mark_rule(strokeWidth=1.5, strokeDash=[2, 2]).encode(x=_x("onset", path), tooltip=tooltip)
    return [
        ("Onset", base.mark_rect(opacity=0.2).encode(x=_x("low", path), x2="high:T", tooltip=tooltip)),
        ("Onset", rule),
    ]


def _way(
    path: pl.DataFrame, row: Mapping[str, Any], limits: list[float], as_of: datetime, unit: str
) -> list[tuple[str, alt.Chart]]:
    """From the level at the last reading to the limit at the early, middle and late date."""
    level, expected = _last(path, "level"), _last(path, "expected")
    if level is None or expected is None:
        return []
    ahead = [limit for limit in limits if (limit - level) * (level - expected) >= 0]
    begins: datetime = path.get_column("read_at")[-1]
    ends = {name: row[f"limit_at_p{share}"] for name, share in zip(DATES, (10, 50, 90), strict=True)}
    lines = []
    for name, at in ends.items():
        if ahead and at is not None and at > as_of:
            reached = min(at, as_of + HORIZON)
            gone = (reached - begins) / (at - begins)
            lines += [(name, begins, level), (name, reached, level + gone * (ahead[0] - level))]
    if not lines:
        return []
    schema = pl.Schema({"date": pl.String(), "at": pl.Datetime("us", "UTC"), "value": pl.Float64()})
    dash = alt.StrokeDash("date:N", legend=None, scale=alt.Scale(domain=list(DATES), range=list(DATES.values())))
    line = alt.Chart(pl.DataFrame(lines, schema=schema, orient="row")).mark_line(strokeWidth=1.5)
    return [("Way to the limit", line.encode(x=_x("at", path), y=_y("value", unit), detail="date:N", strokeDash=dash))]


def _events(events: pl.DataFrame, path: pl.DataFrame, as_of: datetime) -> list[alt.Chart]:
    """Marks along the lower edge, one a day and kind, with what happened on the tooltip."""
    begins = path.get_column("read_at")[0]
    shown = (
        events.filter(pl.col("at").is_between(begins, as_of), pl.col("kind").is_in(list(EVENTS)))
        .group_by("kind", at=pl.col("at").dt.truncate("1d"))
        .agg(pl.col("text").unique(maintain_order=True).str.join("; "))
        .with_columns(kind=pl.col("kind").replace_strict({kind: word for kind, (word, _) in EVENTS.items()}))
        .sort("at", "kind")
    )
    if not shown.height:
        return []
    kinds = [pair for pair in EVENTS.values() if pair[0] in set(shown.get_column("kind"))]
    shape = alt.Shape(
        "kind:N",
        scale=alt.Scale(domain=[word for word, _ in kinds], range=[drawn for _, drawn in kinds]),
        legend=alt.Legend(orient="bottom", title=None, symbolFillColor=INK, symbolStrokeColor=INK, labelLimit=0),
    )
    base = alt.Chart(shown).encode(
        x=_x("at", path),
        tooltip=[alt.Tooltip("at:T", title="when", format="%d %B %Y"), alt.Tooltip("text:N", title="what")],
    )
    marks = base.mark_point(filled=True, size=80, color=INK, opacity=1, yOffset=-STRIP).encode(
        y=alt.value("height"), shape=shape
    )
    return [base.mark_rule(color=INK, opacity=0.25), marks]
