"""Two looks of the page of trends: one correction in time by group, and one group of vehicles against another."""

from functools import partial

import polars as pl
import streamlit as st

from dashboard import as_read, entered, published
from dashboard.charts.fleet import standing_today
from dashboard.charts.groups import difference, ribbons
from dashboard.palette import STATE
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.notes import notes_part
from dashboard.screens.saved_views import lists_part
from dashboard.screens.trends_picked import (
    Picked,
    abouts_of,
    moved,
    notes_between,
    pick_choice,
    pick_factors,
    titles_of,
    values_of,
)
from dashboard.views import factors
from dashboard.views.cohorts import cohorts
from dashboard.views.joined import Choice
from dashboard.views.saved_views import kept_lists
from dashboard.views.trends import TrendView, extent, trend
from dashboard.views.wording import count, plain


def in_time_look(picked: Picked, frame: Frame) -> None:
    """Quantiles of the vehicles week by week, by up to two factors."""
    with st.container(horizontal=True):
        by = pick_factors(picked, frame)
        choice = pick_choice(picked, frame)
    as_of, code = frame.reader.as_of, picked.correction
    key = (frame.reader, code, by, choice)
    view = published.kept_few(
        "trend", *key,
        build=lambda: trend(
            values_of(picked, frame), as_read.states_of_correction(code, frame.reader),
            correction=as_read.correction(code, frame.reader), places=published.places(as_of), by=by, choice=choice,
            reader=frame.reader,
        ),
    )  # fmt: skip
    st.markdown(f"## {plain(view.sentence)}")
    weeks = "each week" if view.step == 1 else f"each {view.step} weeks"
    shared.basis(
        frame,
        f"Lines are the median vehicle of {weeks}, the dark shade holds the middle half, the pale one eight in ten.",
        "Only vehicles that can have this correction; depots and ages are those of now.",
    )
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    abouts = abouts_of(choice, frame)
    notes = notes_between(abouts, view.weekly["week"].min(), frame)  # type: ignore[arg-type]
    _ribbons(view, notes, picked, by, key=key, frame=frame)
    notes_part("trends", abouts, frame)
    st.subheader("Where every vehicle stands today")
    shared.chart(
        published.kept_few("standing", *key, build=lambda: standing_today(factors.few(view.standing))),
        key="standing_today",
        alt=f"Each vehicle's distance from what it should read, by {factors.said(by)}",
    )
    _tables(view, picked, frame)


def _ribbons(
    view: TrendView, notes: pl.DataFrame, picked: Picked, by: list[str], *, key: tuple[object, ...], frame: Frame
) -> None:
    groups = factors.in_order(view.weekly["group"].to_list())
    panels = factors.in_order(view.weekly["panel"].to_list())
    split = factors.FACTORS[by[-1]]
    domain = extent(view.weekly) if len(panels) > 1 else None
    places = [st.container()] if len(panels) == 1 else [*st.columns(2)] * -(-len(panels) // 2)
    for place, panel in zip(places, panels, strict=False):
        with place:
            if len(by) > 1:
                st.markdown(f"**{plain(panel)}**")
            rows = view.weekly.filter(pl.col("panel") == panel).drop("panel")
            draw = partial(ribbons, rows, notes, groups=groups, unit=picked.unit, split=split, domain=domain)
            drawn = published.kept_few("ribbons", *key, panel, entered.now().newest, build=draw)
            where = f", {panel}" if len(by) > 1 else ""
            shared.chart(
                drawn,
                key=f"in time {panel}".strip(),
                alt=f"Weekly median, middle half and middle eight in ten vehicles by {split}{where}",
            )
    with st.expander("These figures as a table"):
        weekly = view.weekly if len(by) > 1 else view.weekly.drop("panel")
        quantiles = ("low", "quarter", "median", "three_quarters", "high")
        shared.table(
            weekly,
            saved=as_read.to_save(weekly, picked.correction, frame.reader, levels=quantiles),
            hide_index=True,
            key="weekly",
            alt="Quantiles by week and group",
            lazy=view.weekly.height > 1000,
            column_config={"week": st.column_config.DatetimeColumn("Week of", format="D MMM YYYY", timezone="UTC")},
        )


def _tables(view: TrendView, picked: Picked, frame: Frame) -> None:
    in_unit = f" ({picked.unit})" if picked.unit else ""
    labels = {state: each.label for state, each in STATE.items()}
    standing = view.standing.select(
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
    read, rate = ("value", "expected"), ("rate_per_30d",)
    shared.table(
        shared.known_columns(standing),
        saved=as_read.to_save(standing, picked.correction, frame.reader, levels=read, steps=rate),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="standing",
        opened_with={"correction": titles_of(frame.reader.as_of)[picked.correction]},
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
    )  # fmt: skip
    st.subheader("All corrections")
    shared.table(
        shared.as_percent(moved(frame.reader.as_of), "share"),
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


def cohorts_look(picked: Picked, frame: Frame) -> None:
    """One group of vehicles against another: the difference in time with its interval."""
    known = entered.now()
    lists = published.kept("lists", known.newest, build=lambda: kept_lists(known.counts, known.people))
    places, code = published.places(frame.reader.as_of), picked.correction
    options = list(factors.options_of(places, lists))
    first = _group("First group", "first", options, picked, "pick what its vehicles are")
    second = _group("Second group", "second", options, picked, "all others")
    lists_part(places.get_column("vehicle_id").to_list())
    if not first:
        st.info(
            "Say what the vehicles of the first group are: of one depot, family, kind of use, fuel, model year or age, "
            "of several of them at once, or on a list of yours. The second is everybody else unless you say so."
        )
        return
    one = factors.members(places, first, lists).select("vehicle_id")
    other = factors.members(places, second, lists) if second else places.join(one, on="vehicle_id", how="anti")
    key = (frame.reader, code, one["vehicle_id"].to_list(), other["vehicle_id"].to_list())
    view = published.kept_few(
        "cohorts", *key,
        build=lambda: cohorts(
            values_of(picked, frame), as_read.states_of_correction(code, frame.reader),
            correction=as_read.correction(code, frame.reader), places=places, first=one,
            second=other.select("vehicle_id"), reader=frame.reader,
        ),
    )  # fmt: skip
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(
        frame,
        f"First: {plain('; '.join(first))} ({count(one.height, 'vehicle')}). "
        f"Second: {plain('; '.join(second)) or 'all others'} ({count(other.height, 'vehicle')}).",
        view.basis,
    )
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    abouts = abouts_of(Choice(), frame)
    notes = notes_between(abouts, view.periods["from"].min(), frame)  # type: ignore[arg-type]
    shared.chart(
        published.kept_few(
            "difference", *key, known.newest, build=lambda: difference(view.periods, notes, unit=picked.unit)
        ),
        key="two groups",
        alt="What the first group reads above the second, with the interval that holds it 95 times in a hundred",
    )
    notes_part("trends", abouts, frame)
    _by_four_weeks(picked, frame, view.periods)


def _by_four_weeks(picked: Picked, frame: Frame, periods: pl.DataFrame) -> None:
    in_unit = f" ({picked.unit})" if picked.unit else ""
    medians, steps = ("first_median", "second_median"), ("difference", "low", "high")
    shared.table(
        periods,
        saved=as_read.to_save(periods, picked.correction, frame.reader, levels=medians, steps=steps),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="periods",
        alt="The difference by four weeks",
        column_config={
            "from": st.column_config.DatetimeColumn("Four weeks from", format="D MMM YYYY", timezone="UTC"),
            "difference": st.column_config.NumberColumn(f"First above second{in_unit}", format="%.3g"),
            "low": st.column_config.NumberColumn("At least", format="%.3g"),
            "high": st.column_config.NumberColumn("At most", format="%.3g"),
            "first_vehicles": st.column_config.NumberColumn("Vehicles of the first"),
            "second_vehicles": st.column_config.NumberColumn("Of the second"),
            "first_median": st.column_config.NumberColumn(f"Median of the first, as read{in_unit}", format="%.4g"),
            "second_median": st.column_config.NumberColumn(f"Of the second{in_unit}", format="%.4g"),
        },
    )


def _group(name: str, key: str, options: list[str], picked: Picked, empty: str) -> list[str]:
    chosen = st.multiselect(
        name, options, key=key, bind="query-params", placeholder=empty,
        help="Several of one kind: any of them. Of several kinds: all of them.",
    )  # fmt: skip
    picked.keep(key, chosen)
    return chosen
