"""Two looks of the page of trends at one date: how a correction is spread, and how it goes with another."""

import polars as pl
import streamlit as st

from dashboard import as_read, published
from dashboard.charts.groups import fields, histogram, points
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.trends_picked import (
    Picked,
    pick_choice,
    pick_day,
    pick_factors,
    pick_measure,
    titles_of,
    values_of,
)
from dashboard.views import factors
from dashboard.views.related import LEAST_VEHICLES, related
from dashboard.views.spread import FRESH_DAYS, RAW, spread
from dashboard.views.wording import plain

NEWEST = f"Each vehicle counts with its newest reading of the {FRESH_DAYS} days before, if it can have the correction."
TIMES_SPREAD = "times its family's spread"


def spread_look(picked: Picked, frame: Frame) -> None:
    """How many vehicles read how much, by group."""
    with st.container(horizontal=True):
        by = pick_factors(picked, frame)
        choice = pick_choice(picked, frame)
    with st.container(horizontal=True):
        measure, at = pick_measure(picked), pick_day(picked, frame)
    code, as_of = picked.correction, frame.reader.as_of
    key = (frame.reader, code, by, choice, measure, at)
    view = published.kept_few(
        "spread", *key,
        build=lambda: spread(
            values_of(picked, frame), as_read.states_of_correction(code, frame.reader),
            correction=as_read.correction(code, frame.reader), places=published.places(as_of), by=by, choice=choice,
            measure=measure, at=at, reader=frame.reader,
        ),
    )  # fmt: skip
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(frame, NEWEST)
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    unit = picked.unit if measure == RAW else TIMES_SPREAD
    groups = factors.in_order(view.groups["group"].to_list())
    shared.chart(
        published.kept_few(
            "histogram", *key,
            build=lambda: histogram(view.bins, groups=groups, axis=unit or "value", split=factors.said(by)),
        ),
        key="spread",
        alt=f"Share of vehicles by value, by {factors.said(by)}",
    )  # fmt: skip
    _quantiles(picked, frame, view.groups, raw=measure == RAW)
    with st.expander("Every vehicle"):
        shared.table(
            view.rows,
            saved=as_read.to_save(view.rows, code, frame.reader, levels=("value",) if measure == RAW else ()),
            hide_index=True,
            key="spread of vehicles",
            alt="Vehicles with their newest reading",
            lazy=view.rows.height > 1000,
            opened_with={"correction": titles_of(as_of)[code]},
            column_config={
                "group": st.column_config.TextColumn("Group"),
                "value": st.column_config.NumberColumn(f"Value ({unit})" if unit else "Value", format="%.4g"),
                "read_at": st.column_config.DatetimeColumn("Read", format="D MMM YYYY", timezone=frame.reader.zone.key),
            },
        )


def _quantiles(picked: Picked, frame: Frame, groups: pl.DataFrame, *, raw: bool) -> None:
    figure = st.column_config.NumberColumn
    names = {"p5": "5 %", "p10": "10 %", "p25": "25 %", "median": "Median", "p75": "75 %", "p90": "90 %", "p95": "95 %"}
    shared.table(
        groups,
        saved=as_read.to_save(groups, picked.correction, frame.reader, levels=list(names) if raw else ()),
        hide_index=True,
        key="quantiles",
        alt="Quantiles of each group",
        column_config={
            "group": st.column_config.TextColumn("Group"),
            "vehicles": figure("Vehicles"),
            **{
                name: figure(f"{label} below" if name != "median" else label, format="%.4g")
                for name, label in names.items()
            },
        },
    )


def related_look(picked: Picked, frame: Frame) -> None:
    """Whether two corrections go together from vehicle to vehicle."""
    as_of, code = frame.reader.as_of, picked.correction
    titles = titles_of(as_of)
    others = {title: other for other, title in titles.items() if other != code}
    if not others:
        st.info("No other correction was read by this date.")
        return
    title = st.selectbox("With", list(others), key="with", bind="query-params")
    picked.keep("with", [title])
    with st.container(horizontal=True):
        by = pick_factors(picked, frame)
        choice = pick_choice(picked, frame)
    with st.container(horizontal=True):
        measure, at = pick_measure(picked), pick_day(picked, frame)
    other = others[title]
    key = (frame.reader, code, other, by, choice, measure, at)
    view = published.kept_few(
        "related", *key,
        build=lambda: related(
            (values_of(picked, frame), as_read.values(other, frame.reader)),
            (as_read.states_of_correction(code, frame.reader), as_read.states_of_correction(other, frame.reader)),
            corrections=(as_read.correction(code, frame.reader), as_read.correction(other, frame.reader)),
            places=published.places(as_of),
            by=by, choice=choice, measure=measure, at=at, reader=frame.reader,
        ),
    )  # fmt: skip
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(frame, NEWEST, "The interval holds the rank correlation 95 times in a hundred.")
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    other_unit = as_read.unit_of(other, fahrenheit=frame.reader.fahrenheit)
    across, up = (
        f"{name} ({unit})" if unit else name
        for name, unit in ((titles[code], picked.unit if measure == RAW else TIMES_SPREAD),
                           (title, other_unit if measure == RAW else TIMES_SPREAD))
    )  # fmt: skip
    groups = factors.in_order(view.rows["group"].to_list())
    shared.chart(
        published.kept_few(
            "against",
            *key,
            build=lambda: (
                fields(view.fields, across=across, up=up)
                if view.fields.height
                else points(view.rows, groups=groups, across=across, up=up)
            ),
        ),
        key="with another",
        alt=f"{titles[code]} across and {title} up, each vehicle's newest reading",
    )
    _rank_correlations(view.groups)
    with st.expander("Every vehicle"):
        shared.table(
            view.rows,
            saved=as_read.to_save(
                as_read.to_save(view.rows, code, frame.reader, levels=("across",) if measure == RAW else ()),
                other,
                frame.reader,
                levels=("up",) if measure == RAW else (),
            ),
            hide_index=True,
            key="related vehicles",
            alt="Vehicles with both values",
            lazy=view.rows.height > 1000,
            opened_with={"correction": titles[code]},
            column_config={
                "group": st.column_config.TextColumn("Group"),
                "across": st.column_config.NumberColumn(across, format="%.4g"),
                "up": st.column_config.NumberColumn(up, format="%.4g"),
            },
        )


def _rank_correlations(groups: pl.DataFrame) -> None:
    figure = st.column_config.NumberColumn
    shared.table(
        groups,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="correlations",
        alt="Rank correlation in each group",
        column_config={
            "group": st.column_config.TextColumn("Group"),
            "vehicles": figure("Vehicles"),
            "rank_correlation": figure(
                "Rank correlation",
                format="%.2f",
                help=f"1: always rise together; 0: not; -1: one rises where the other falls. From {LEAST_VEHICLES} "
                "vehicles on.",
            ),
            "low": figure("At least", format="%.2f"),
            "high": figure("At most", format="%.2f"),
        },
    )
