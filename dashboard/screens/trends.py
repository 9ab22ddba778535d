"""One correction across the fleet and in time, by engine family, depot, calibration or kind of use."""

import polars as pl
import streamlit as st

from dashboard import entered, published
from dashboard.charts.fleet import standing_today, weekly_by_group
from dashboard.palette import STATE
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.notes import notes_part
from dashboard.views.joined import Choice, choices, distinct_titles
from dashboard.views.notes import About
from dashboard.views.trends import SPLITS, TrendView, most_moved, splits_of, trend
from dashboard.views.wording import plain, unit_word


def show() -> None:
    """The page."""
    st.title("Trends")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    as_of = frame.reader.as_of
    moved = published.kept(
        "moved", as_of, build=lambda: most_moved(published.table("correction_state", as_of), published.corrections())
    )
    if not moved.height:
        st.info("No correction was read by this date.")
        return
    _trend(moved, frame)


def _trend(moved: pl.DataFrame, frame: Frame) -> None:
    as_of, vehicles = frame.reader.as_of, published.vehicles()
    titles = distinct_titles(moved.get_column("code"), published.corrections())
    code = st.selectbox(
        "Correction",
        list(titles),
        key="correction",
        bind="query-params",
        format_func=lambda each: titles[each],
    )
    values = published.correction_values(code, frame.reader.as_of)
    with st.container(horizontal=True):
        split = st.segmented_control(
            "Compare by",
            splits_of(vehicles, values),
            default="engine_family",
            required=True,
            key="by",
            bind="query-params",
            format_func=lambda name: SPLITS[name],
        )
        families = shared.picked("Engine family", choices(vehicles, "engine_family"), "family")
        depots = shared.picked("Depot", choices(vehicles, "depot"), "depot")
        calibrations = shared.picked("Calibration", choices(values, "calibration"), "calibration")
    correction = published.correction(code)
    choice = Choice(depot=depots, engine_family=families, calibration=calibrations)
    view = published.kept(
        "trend",
        frame.reader,
        code,
        split,
        choice,
        build=lambda: trend(
            values,
            published.table("correction_state", as_of),
            correction=correction,
            vehicles=vehicles,
            split=split,
            choice=choice,
            reader=frame.reader,
        ),
    )
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(frame, "Lines are the median vehicle of each week, the shade holds eight vehicles in ten.")
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    abouts = [About(), *(About(depot=depot) for depot in depots or choices(vehicles, "depot"))]
    unit = unit_word(correction["unit"])
    _charts(view, abouts, frame, (code, split, choice), unit=unit, split=SPLITS[split])
    _tables(view, moved, titles[code], unit_word(correction["unit"]))


def _charts(
    view: TrendView, abouts: list[About], frame: Frame, key: tuple[object, ...], *, unit: str, split: str
) -> None:
    notes = entered.notes().filter(
        pl.col("about").is_in([about.name for about in abouts]),
        pl.col("at").is_between(view.weekly["week"].min(), frame.reader.as_of),
    )
    shared.chart(
        published.kept(
            "weekly",
            frame.reader,
            *key,
            entered.now().newest,
            build=lambda: weekly_by_group(view.weekly, notes, unit=unit, split=split),
        ),
        key="weekly",
        alt=f"Weekly median and the middle eight in ten vehicles by {split}",
    )
    notes_part("trends", abouts, frame)
    st.subheader("Where every vehicle stands today")
    shared.chart(
        published.kept("standing", frame.reader, *key, build=lambda: standing_today(view.standing)),
        key="standing_today",
        alt=f"Each vehicle's distance from what it should read, by {split}",
    )


def _tables(view: TrendView, moved: pl.DataFrame, title: str, unit: str) -> None:
    in_unit = f" ({unit})" if unit else ""
    labels = {state: each.label for state, each in STATE.items()}
    shared.table(
        shared.known_columns(
            view.standing.select(
                "vehicle_id",
                "group",
                pl.col("state").replace_strict(labels, default=pl.col("state")),
                "value",
                "expected",
                "z",
                "rate_per_30d",
                "leeway_pct",
                "calibration",
            )
        ),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="standing",
        opened_with={"correction": title},
        alt="Vehicles, farthest from expected first",
        lazy=view.standing.height > 1000,
        column_config={
            "group": st.column_config.TextColumn("Group"),
            "state": st.column_config.TextColumn("State"),
            "value": st.column_config.NumberColumn(f"Read{in_unit}", format="%.4g"),
            "expected": st.column_config.NumberColumn(f"Expected{in_unit}", format="%.4g"),
            "z": st.column_config.NumberColumn("Times its scatter", format="%.1f"),
            "rate_per_30d": st.column_config.NumberColumn(f"A month{in_unit}", format="%.3g"),
            "leeway_pct": st.column_config.ProgressColumn("Leeway left", format="%.0f %%", min_value=0, max_value=100),
            "calibration": st.column_config.TextColumn("Calibration"),
        },
    )
    st.subheader("All corrections")
    shared.table(
        shared.as_percent(moved, "share"),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="moved",
        alt="Corrections by how many vehicles stray in them",
        column_config={
            "code": st.column_config.TextColumn("Code"),
            "title": st.column_config.TextColumn("Correction", width="large"),
            "group": st.column_config.TextColumn("Group"),
            "astray": st.column_config.NumberColumn("Astray"),
            "vehicles": st.column_config.NumberColumn("Vehicles"),
            "share": shared.percent_column("Share astray"),
            "median_z": st.column_config.NumberColumn("Median, times scatter", format="%.2f"),
        },
    )


show()
