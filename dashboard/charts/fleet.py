"""Charts of the whole fleet: urgency by depot, leeway against chance, where vehicles stand, forecast reliability."""

import altair as alt
import polars as pl

from dashboard.charts import Drawn
from dashboard.palette import BAND, INK, LIMIT, READING, STATE, URGENCY, Look
from dashboard.views.recurring import MOST_DRAWN

ROOM_FOR_HOURS = 22  # pixels that a figure needs
ROOM_FOR_WORDS = 0.07  # share of the longest bar that a mark and a count need
Z_TICKS = [-300, -100, -30, -10, -6, -3, -1, 0, 1, 3, 6, 10, 30, 100, 300]
MOST_MARKS = 1500  # more marks than this say nothing more and slow the browser


def _state_scales(looks: dict[str, Look], name: str = "label") -> tuple[alt.Scale, alt.Scale]:
    """Colour and shape by the states' labels, as tables show them, or by their words alone."""
    labels = [getattr(each, name) for each in looks.values()]
    return (
        alt.Scale(domain=labels, range=[each.colour for each in looks.values()]),
        alt.Scale(domain=labels, range=[each.shape for each in looks.values()]),
    )


def urgency_by(rows: pl.DataFrame, column: str, title: str) -> Drawn:
    """Bars of vehicles by urgency, one bar a group.

    Args:
        rows: One row a vehicle: `urgency` (label), and the column.
        column: What a bar stands for, for example depot.
        title: Its name on the axis.
    """
    colour, _ = _state_scales(URGENCY)
    marks = {each.label: each.mark for each in URGENCY.values()}
    order = {label: place for place, label in enumerate(marks)}
    end = pl.col("vehicles").cum_sum().over(column)
    counted = (
        rows.with_columns(pl.col(column).fill_null("not known"))
        .group_by(column, "urgency")
        .agg(vehicles=pl.len().cast(pl.Int64))
        .with_columns(place=pl.col("urgency").replace_strict(order, default=len(order), return_dtype=pl.Int32))
        .sort(column, "place")
        .with_columns(
            end=end,
            start=end - pl.col("vehicles"),
            middle=end - pl.col("vehicles") / 2,
            label=pl.format("{} {}", pl.col("urgency").replace_strict(marks, default=""), "vehicles"),
        )
    )
    widest: int = counted.select(pl.col("end").max()).item()
    base = alt.Chart(counted).encode(y=alt.Y(f"{column}:N", title=None, axis=alt.Axis(labelLimit=140)))
    bars = base.mark_bar().encode(
        x=alt.X("start:Q", title="vehicles", axis=alt.Axis(tickMinStep=1), scale=alt.Scale(nice=False)),
        x2="end:Q",
        color=alt.Color(
            "urgency:N", scale=colour, legend=alt.Legend(orient="top", title=None, columns=3, labelLimit=0)
        ),
        tooltip=[alt.Tooltip(f"{column}:N", title=title), "urgency:N", "vehicles:Q"],
    )
    words = base.transform_filter(alt.datum.vehicles >= ROOM_FOR_WORDS * widest).mark_text()
    on_field = alt.Color(
        "urgency:N", legend=None, scale=alt.Scale(domain=list(marks), range=[each.words for each in URGENCY.values()])
    )
    drawn: Drawn = (
        alt.layer(bars, words.encode(x="middle:Q", text="label:N", color=on_field))
        .resolve_scale(color="independent")
        .properties(width="container", height=alt.Step(30))
    )
    return drawn


def leeway_against_chance(rows: pl.DataFrame) -> Drawn:
    """One mark a vehicle: leeway left across, chance of a fault in 30 days up; shape and colour are its urgency.

    Args:
        rows: `vehicle_id, urgency, leeway_pct, chance_30, what`; drawn down to MOST_MARKS with the highest chance.
    """
    colour, shape = _state_scales(URGENCY)
    shown = (
        rows.drop_nulls(["leeway_pct", "chance_30"])
        .sort("chance_30", "vehicle_id", descending=[True, False])
        .head(MOST_MARKS)
    )
    drawn: Drawn = (
        alt.Chart(shown.select("vehicle_id", "urgency", "leeway_pct", "chance_30", "what"))
        .mark_point(filled=True, size=60, opacity=0.8)
        .encode(
            x=alt.X("leeway_pct:Q", title="leeway left (%)", scale=alt.Scale(domain=[0, 100])),
            y=alt.Y(
                "chance_30:Q",
                title="chance of a fault in 30 days",
                axis=alt.Axis(format="%"),  # as many digits as the ticks need
                scale=alt.Scale(zero=True),
            ),
            color=alt.Color("urgency:N", scale=colour, legend=None),
            shape=alt.Shape("urgency:N", scale=shape, legend=None),
            tooltip=[
                alt.Tooltip("vehicle_id:N", title="vehicle"),
                alt.Tooltip("urgency:N", title="urgency"),
                alt.Tooltip("what:N", title="what"),
                alt.Tooltip("leeway_pct:Q", title="leeway left (%)", format=".0f"),
                alt.Tooltip("chance_30:Q", title="chance in 30 days", format=".1%"),
            ],
        )
        .properties(width="container", height=260)
    )
    return drawn


def standing_today(standing: pl.DataFrame) -> Drawn:
    """Every vehicle's deviation from what it should read, in its own healthy scatter, one row a group.

    Args:
        standing: `vehicle_id, group, state, z`; drawn down to MOST_MARKS farthest out.
    """
    present = set(standing.get_column("state"))
    colour, shape = _state_scales({state: each for state, each in STATE.items() if state in present}, "word")
    words = {state: each.word for state, each in STATE.items()}
    legend = alt.Legend(orient="top", title=None, columns=3, labelLimit=0)
    shown = (
        standing.drop_nulls("z")
        .head(MOST_MARKS)
        .select("vehicle_id", "group", "z", state=pl.col("state").replace_strict(words, default=pl.col("state")))
    )
    drawn: Drawn = (
        alt.Chart(shown)
        .mark_point(filled=True, size=45, opacity=0.75)
        .encode(
            x=alt.X(
                "z:Q",
                title="away from expected, in times its healthy scatter",
                scale=alt.Scale(type="symlog", constant=4),
                axis=alt.Axis(values=Z_TICKS),
            ),
            y=alt.Y("group:N", title=None),
            color=alt.Color("state:N", scale=colour, legend=legend),
            shape=alt.Shape("state:N", scale=shape, legend=legend),
            tooltip=[
                alt.Tooltip("vehicle_id:N", title="vehicle"),
                "state:N",
                alt.Tooltip("z:Q", title="times its scatter", format=".2f"),
            ],
        )
        .properties(width="container", height=alt.Step(40))
    )
    return drawn


def reliability(curve: pl.DataFrame) -> Drawn:
    """Share of vehicles that had a fault against the chance they were given; on the line the forecast keeps its word.

    Args:
        curve: `horizon_days, forecast, observed, low, high, vehicles`, shares 0-1.
    """
    line = (
        alt.Chart(pl.DataFrame({"x": [0.0, 1.0], "y": [0.0, 1.0]}))
        .mark_line(color=INK, strokeDash=[5, 3])
        .encode(x="x:Q", y="y:Q")
    )
    base = alt.Chart(curve).encode(
        x=alt.X("forecast:Q", title="chance given", axis=alt.Axis(format=".0%"), scale=alt.Scale(domain=[0, 1]))
    )
    drawn: Drawn = alt.layer(
        line,
        base.mark_rule(color=READING, strokeWidth=2).encode(
            y=alt.Y(
                "low:Q", title="share that had a fault", axis=alt.Axis(format=".0%"), scale=alt.Scale(domain=[0, 1])
            ),
            y2="high:Q",
        ),
        base.mark_point(filled=True, size=70, color=READING).encode(
            y="observed:Q",
            tooltip=[
                alt.Tooltip("forecast:Q", title="chance given", format=".1%"),
                alt.Tooltip("observed:Q", title="had a fault", format=".1%"),
                alt.Tooltip("vehicles:Q"),
            ],
        ),
    ).properties(width="container", height=320)
    return drawn


def faults_by_date(watch: pl.DataFrame) -> Drawn:
    """Faults that came after each date beside those forecast, with the interval that chance gives them.

    Args:
        watch: `forecast_at, on` (the same in words), `expected, observed, low, high, inside`.
    """
    named = watch.sort("forecast_at")
    axis = alt.Axis(labelAngle=0, labelOverlap=True)
    base = alt.Chart(named).encode(x=alt.X("on:O", title="forecast made on", sort=None, axis=axis))
    shape = alt.Shape("inside:N", scale=alt.Scale(domain=[True, False], range=["circle", "triangle-up"]), legend=None)
    drawn: Drawn = alt.layer(
        base.mark_rule(color=BAND, strokeWidth=10, opacity=0.5).encode(y=alt.Y("low:Q", title="faults"), y2="high:Q"),
        base.mark_tick(color=INK, thickness=2, size=22).encode(y="expected:Q"),
        base.mark_point(filled=True, size=80, opacity=1).encode(
            y="observed:Q",
            shape=shape,
            color=alt.condition("datum.inside", alt.value(READING), alt.value(LIMIT)),
            tooltip=[
                alt.Tooltip("on:O", title="forecast made on"),
                alt.Tooltip("observed:Q", title="came", format=".1f"),
                alt.Tooltip("expected:Q", title="forecast", format=".1f"),
            ],
        ),
    ).properties(width="container", height=220)
    return drawn


def chances(rows: pl.DataFrame) -> Drawn:
    """A vehicle's chance of a fault over each horizon with its 90 % interval.

    Args:
        rows: `horizon_days, probability, low, high`.
    """
    named = rows.select(
        "probability",
        "low",
        "high",
        horizon=pl.concat_str(pl.lit("within "), pl.col("horizon_days").cast(pl.String), pl.lit(" days")),
    )
    base = alt.Chart(named).encode(y=alt.Y("horizon:N", title=None, sort=None))
    drawn: Drawn = alt.layer(
        base.mark_bar(color=READING, height=14).encode(
            x=alt.X(
                "probability:Q", title="chance of a fault", axis=alt.Axis(format=".0%"), scale=alt.Scale(domain=[0, 1])
            )
        ),
        base.mark_rule(strokeWidth=3).encode(
            x="low:Q",
            x2="high:Q",
            tooltip=[
                alt.Tooltip("probability:Q", title="chance", format=".1%"),
                alt.Tooltip("low:Q", format=".1%"),
                alt.Tooltip("high:Q", format=".1%"),
            ],
        ),
    ).properties(width="container", height=alt.Step(30))
    return drawn


def work_load(load: pl.DataFrame) -> Drawn:
    """Hours of work by day, one row of fields a depot, the hours written in each field wide enough for them.

    Args:
        load: `depot, day, day_word, labour_hours, vehicles`; work without a day is left out.
    """
    placed = load.drop_nulls("day").with_columns(
        pl.col("depot").fill_null("all"), hours=pl.col("labour_hours").round(1).cast(pl.String)
    )
    base = alt.Chart(placed.sort("day").with_columns(day="day_word")).encode(
        x=alt.X("day:O", title="hours of work by day", sort=None, axis=alt.Axis(labelAngle=0, labelOverlap=True)),
        y=alt.Y("depot:N", title=None, axis=alt.Axis(labelLimit=140)),
        tooltip=["day:O", "depot:N", alt.Tooltip("labour_hours:Q", title="hours", format=".1f"), "vehicles:Q"],
    )
    fields = base.mark_rect(color=READING).encode(
        opacity=alt.Opacity("labour_hours:Q", scale=alt.Scale(domainMin=0, range=[0.7, 1.0]), legend=None)
    )
    words = base.mark_text(color="white", opacity=alt.expr(f"bandwidth('x') < {ROOM_FOR_HOURS} ? 0 : 1")).encode(
        text="hours:N"
    )
    drawn: Drawn = alt.layer(fields, words).properties(width="container", height=alt.Step(34))
    return drawn


def rate_ratios(issues: pl.DataFrame) -> Drawn:
    """Rate ratios with their intervals on a log scale, the issue above each; 1 is the rate of the rest of the fleet.

    Args:
        issues: `label, rate_ratio, low, high`, in the order drawn; those without a ratio are left out.
    """
    shown = issues.select("label", "rate_ratio", "low", "high").drop_nulls("rate_ratio").head(MOST_DRAWN)
    base = alt.Chart(shown).encode(y=alt.Y("label:N", title=None, sort=None, axis=None))
    scale = alt.Scale(type="log", nice=False, padding=6)
    drawn: Drawn = alt.layer(
        alt.Chart(pl.DataFrame({"one": [1.0]}))
        .mark_rule(color=INK, strokeDash=[5, 3])
        .encode(x=alt.X("one:Q", scale=scale)),
        base.mark_rule(color=LIMIT, strokeWidth=2).encode(
            x=alt.X("low:Q", title="times the rate of the rest", scale=scale, axis=alt.Axis(grid=False)), x2="high:Q"
        ),
        base.mark_point(filled=True, size=70, color=LIMIT).encode(
            x=alt.X("rate_ratio:Q", scale=scale),
            tooltip=[
                alt.Tooltip("label:N", title="finding"),
                alt.Tooltip("rate_ratio:Q", title="times the rate of the rest", format=".2f"),
                alt.Tooltip("low:Q", title="at least", format=".2f"),
                alt.Tooltip("high:Q", title="at most", format=".2f"),
            ],
        ),
        base.mark_text(align="left", dy=-14).encode(x=alt.value(12), text="label:N"),
    ).properties(width="container", height=alt.Step(40))
    return drawn
