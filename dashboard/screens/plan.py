"""The work plan by day and bay, with job cards and downloads."""

from datetime import date
from functools import partial

import polars as pl
import streamlit as st

from dashboard import entered, files, published
from dashboard.charts.fleet import work_load
from dashboard.screens import frame as shared
from dashboard.screens.deciding import decide_part
from dashboard.screens.frame import Frame
from dashboard.screens.saving import download
from dashboard.screens.visit import plan_of
from dashboard.views.ahead import months_ahead
from dashboard.views.joined import choices
from dashboard.views.plan import UNPLACED, PlanView, bays_of, days_of
from dashboard.views.wording import plain


def show() -> None:
    """The page."""
    st.title("Work plan")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    depots = shared.picked("Depot", choices(published.table("work_plan", frame.reader.as_of), "depot"), "depot")
    view = plan_of(frame, depots)
    if view.binding:
        st.error("\n".join(f"- {plain(said)}" for said in view.binding))
    st.markdown(f"## {plain(view.sentence)}")
    if view.left_out:
        st.markdown(plain(view.left_out))
    shared.basis(frame, "Costs are expected costs in the fleet's own money.", published.forecast_warning())
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    if view.load.get_column("day").n_unique() > 1:
        chart = published.kept(
            "work_load", frame.reader, depots, entered.now().newest, build=lambda: work_load(view.load)
        )
        shared.chart(chart, key="work_load", alt="Hours of work by day at each depot")
    if view.rows.height:
        _visits(view, frame)
    if view.waiting.height:
        _waiting(view)
    with st.container(key="screen-decide"):  # not on paper
        decide_part(view, frame)
        if view.rows.height:
            _cards(view)
    _ahead(view, frame, depots)
    _assumed(frame)


def _visits(view: PlanView, frame: Frame) -> None:
    """The visits as a table, and as files."""
    _table(view)
    with st.container(key="screen-downloads"):
        _downloads(view, frame)


def _table(view: PlanView) -> None:
    rows = view.rows.select(
        "day",
        "start",
        "depot",
        "bay",
        "vehicle_id",
        "jobs",
        "decision",
        "labour_hours",
        "saving",
        "reason",
        "cost_now",
        "cost_if_waiting",
    )
    shared.table(
        shared.known_columns(rows),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="jobs",
        alt="Jobs by day, depot and bay",
        lazy=rows.height > 1000,
        column_config={
            "day": st.column_config.DateColumn("Day", format="ddd D MMM"),
            "start": st.column_config.TextColumn("Start"),
            "depot": st.column_config.TextColumn("Depot"),
            "bay": st.column_config.NumberColumn("Bay"),
            "jobs": st.column_config.TextColumn("Jobs", width=230),
            "decision": st.column_config.TextColumn("Decided"),
            "labour_hours": st.column_config.NumberColumn("Hours", format="%.1f"),
            "cost_now": st.column_config.NumberColumn("Cost now", format="%.0f"),
            "cost_if_waiting": st.column_config.NumberColumn("If it waits", format="%.0f"),
            "saving": st.column_config.NumberColumn(
                "Saved", help="What waiting is expected to cost more", format="%.0f"
            ),
            "reason": st.column_config.TextColumn("Why", width="large"),
        },
    )


def _waiting(view: PlanView) -> None:
    st.subheader("Without a visit")
    shared.table(
        shared.known_columns(view.waiting),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="waiting",
        alt="Vehicles that need hands and have no visit, with the reason",
        column_config={
            "urgency": st.column_config.TextColumn("Urgency", width=115),
            "depot": st.column_config.TextColumn("Depot"),
            "reason": st.column_config.TextColumn("Why", width="large"),
            "labour_hours": st.column_config.NumberColumn("Hours", format="%.1f"),
            "decision": st.column_config.TextColumn("Decided"),
        },
    )


def _downloads(view: PlanView, frame: Frame) -> None:
    with st.container(horizontal=True):
        download(
            "Download as XLSX",
            partial(files.as_workbook, view.rows, "work plan"),
            "work_plan.xlsx",
            mime="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        )
        if frame.newest:
            download(
                "Download the papers",
                published.papers,
                "papers.zip",
                mime="application/zip",
                right="papers",
                help="Of all depots: a workbook with the parts to order, a calendar and a week sheet a depot, "
                "a job card a visit, and the claim packs.",
            )
            if published.vehicles().select(pl.col("warranty_until", "warranty_km").count().sum()).row(0) != (0, 0):
                download(
                    "Download the claim packs",
                    partial(published.papers, claims_alone=True),
                    "claims.zip",
                    mime="application/zip",
                    right="papers",
                    help="For the dealer, of work under warranty that is planned or was done within three months: "
                    "readings before and after, codes, calibrations and work, as PDF and as a workbook.",
                )


def _ahead(view: PlanView, frame: Frame, depots: list[str]) -> None:
    """What is foreseen of vehicles without a visit; nothing where nothing is."""
    planned = view.rows.get_column("vehicle_id").to_list()
    ahead = published.kept(
        "ahead",
        frame.reader,
        planned,
        depots,
        build=lambda: months_ahead(
            published.states_that_count(frame.reader.as_of),
            vehicles=published.vehicles(),
            corrections=published.corrections(),
            planned=planned,
            depots=depots,
            reader=frame.reader,
        ),
    )
    if ahead.rows.is_empty():
        return
    st.subheader("Months ahead")
    st.markdown(ahead.sentence)
    shared.table(
        shared.known_columns(ahead.rows),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="ahead",
        alt="Vehicles without a visit whose limit is foreseen, by month",
        column_config={
            "month": st.column_config.DateColumn("Month", format="MMMM YYYY"),
            "depot": st.column_config.TextColumn("Depot"),
            "title": st.column_config.TextColumn("What meets its limit"),
            "soonest": st.column_config.DateColumn("Not before", help="One in ten is sooner", format="D MMM YYYY"),
            "likely": st.column_config.DateColumn("About", format="D MMM YYYY"),
            "latest": st.column_config.DateColumn(
                "Hardly later", help="One in ten is later; empty: it may never be met", format="D MMM YYYY"
            ),
        },
    )


def _assumed(frame: Frame) -> None:
    """What the plan was priced with: each figure, and whose it is."""
    costs = published.table("plan_assumption", frame.reader.as_of)
    if costs.is_empty():
        return
    with st.expander("What the plan assumes"):
        st.markdown(
            "Labour, parts, breakdowns and lead times come from the fleet's table `components`, and where it says "
            "nothing from Leeway's own. The rest stands here; assumed is our judgement. To change it: "
            "`leeway plan --show-costs > costs.toml`, edit the file, `leeway plan --costs costs.toml`; "
            "later plans keep to it."
        )
        whose = pl.when("assumed").then(pl.lit("assumed")).otherwise(pl.lit("the fleet's own"))
        shared.table(
            costs.select("meaning", "value", "unit", whose=whose, name="name"),
            hide_index=True,
            key="assumed",
            alt="Figures that the plan rests on, and whether they are assumed",
            column_config={
                "meaning": st.column_config.TextColumn("What", width="large"),
                "value": st.column_config.NumberColumn("Figure", format="%g"),
                "unit": st.column_config.TextColumn("Unit"),
                "whose": st.column_config.TextColumn("Whose"),
                "name": st.column_config.TextColumn("In the file"),
            },
        )


def _cards(view: PlanView) -> None:
    st.subheader("Job cards")
    st.caption(
        "The manufacturer's procedure, local codes and a licensed technician decide how work is done. "
        "Each vehicle's page has the cautions for what it is likely to need."
    )
    day = st.selectbox(
        "Day",
        days_of(view.rows),
        key="day",
        bind="query-params",
        format_func=lambda name: "Not placed yet" if name == UNPLACED else f"{date.fromisoformat(name):%A %d %B %Y}",
    )
    columns = st.columns(3)
    for bay_place, (bay, cards) in enumerate(bays_of(view.rows, day)):
        with columns[bay_place % 3].container(border=True):
            st.markdown(f"**{plain(bay)}**")
            for place, card in enumerate(cards):
                if place:
                    st.divider()
                st.markdown(card)


show()
