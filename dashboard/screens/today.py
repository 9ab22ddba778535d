"""What the fleet looks like today and who needs attention."""

import streamlit as st

from dashboard import as_read, entered, published
from dashboard.charts import fleet as charts
from dashboard.palette import URGENCY
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.visit import plan_of
from dashboard.views.joined import Choice, choices
from dashboard.views.today import TodayView, first_in_line, grouping, today
from dashboard.views.together import open_decisions, together
from dashboard.views.unread import unread
from dashboard.views.wording import plain
from pipelines.digest import MUST_NOT_BE_DRIVEN, Digest
from pipelines.explain import topics

COLUMNS = [
    "vehicle_id", "urgency", "why", "leeway_pct", "what", "title", "chance_30", "cause", "cause_probability",
    "open_faults", "chance_7", "chance_90", "likely_code", "is_outlier", "last_read_at", "days_since_read",
    "engine_family", "depot",
]  # fmt: skip


def show() -> None:
    """The page."""
    st.title("Today")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    vehicles = published.vehicles()
    with st.container(horizontal=True):
        depots = shared.picked("Depot", choices(vehicles, "depot"), "depot")
        families = shared.picked("Engine family", choices(vehicles, "engine_family"), "family")
        urgencies = st.multiselect(
            "Urgency",
            list(URGENCY),
            key="urgency",
            bind="query-params",
            placeholder="all",
            format_func=lambda name: URGENCY[name].word,
        )
    as_of = frame.reader.as_of
    choice = Choice(depot=depots, engine_family=families, urgency=urgencies)
    view = published.kept(
        "today",
        frame.reader,
        choice,
        entered.now().newest,
        build=lambda: today(
            as_read.fleet_tables(frame.reader),
            choice=choice,
            reader=frame.reader,
            false_alarms_per_vehicle_year=published.setting("false_alarms_per_vehicle_year", as_of),
        ),
    )
    st.markdown(f"## {plain(view.sentence)}")
    if view.watched:
        st.markdown(view.watched)
    shared.basis(frame, view.age, view.alarms, published.forecast_warning())
    _news(frame)
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    _table(view, frame)
    _charts(view, frame, choice)
    _unread(view)


def _news(frame: Frame) -> None:
    """What must not be driven or comes too late, with the reason; what the fleet did; what is new; what is open."""
    as_of, said = frame.reader.as_of, frame.reader.said
    told = published.news(as_of)
    assert told is not None  # noqa: S101 - it is told of the analysis before, or for the first time
    for section in told.sections:
        if section.title == MUST_NOT_BE_DRIVEN:
            st.error("\n".join([f"**{section.title}**", *(f"- {plain(said(line))}" for line in section.lines)]))
    planned = plan_of(frame)
    off = {line.partition(":")[0] for part in told.sections if part.title == MUST_NOT_BE_DRIVEN for line in part.lines}
    late = [line for line in planned.binding if line.split(" ")[0].rstrip(":") not in off]
    if late:
        st.warning("\n".join(["**No visit in time**", *(f"- {plain(line)}" for line in late)]))
    for words in _together(frame):
        st.markdown(plain(words))
    _told(told, frame)
    if week := published.news(as_of, days=7):
        _told(week, frame)
    held = published.table("held_reading", as_of)
    decided = planned.rows.get_column("decision").count() if planned.rows.height else 0
    for words, page in open_decisions(held, visits=planned.rows.height, decided=decided):
        st.page_link(f"screens/{page}.py", label=f"To decide: {plain(words)}", query_params=frame.carried)


def _together(frame: Frame) -> list[str]:
    """What the whole fleet did of late."""
    names = ("drift_season", "drift_model", "drift_moved", "calibration_register")
    return published.kept(
        "together",
        frame.reader,
        entered.now().newest,
        build=lambda: together(
            {name: published.table(name, frame.reader.as_of) for name in names},
            corrections=published.corrections(),
            notes=entered.notes(),
            reader=frame.reader,
        ),
    )


def _told(told: Digest, frame: Frame) -> None:
    """What is new since an earlier analysis, folded away under its headings."""
    other = [section for section in told.sections if section.title != MUST_NOT_BE_DRIVEN]
    if not other:
        st.caption(f"Whole fleet. {plain(frame.reader.said(told.told))}: nothing is new.")
        return
    names = ", ".join(f"{section.title.lower()} ({len(section.lines)})" for section in other)
    with st.expander(f"Whole fleet. {frame.reader.said(told.told)}: {names}"):
        for section in other:
            lines = [f"- {plain(frame.reader.said(line))}" for line in section.shown()]
            st.markdown("\n".join([f"**{section.title}**", "", *lines]))


def _unread(view: TodayView) -> None:
    """Who was not read for long: nothing can be said of what is not read."""
    said = unread(view.rows)
    if said is None:
        return
    st.subheader("Not read for long")
    st.markdown(plain(said.sentence))
    shared.table(
        shared.known_columns(said.rows),
        key="unread",
        hide_index=True,
        placeholder=shared.ABSENT,
        alt="Vehicles that were not read for long, longest first",
        column_config={
            "depot": st.column_config.TextColumn("Depot"),
            "days_since_read": st.column_config.NumberColumn("Days ago", format="%.0f"),
            "last_read_at": st.column_config.DatetimeColumn("Last read", format="D MMM YYYY"),
        },
    )


def _charts(view: TodayView, frame: Frame, choice: Choice) -> None:
    left, right = st.columns(2)
    column, name = grouping(view.rows)
    with left:
        st.subheader(f"By {name}")
        shared.chart(
            published.kept(
                "urgency_by", frame.reader, choice, build=lambda: charts.urgency_by(view.rows, column, name)
            ),
            key="urgency_by",
            alt=f"Vehicles by urgency, one bar for each {name}",
        )
    with right:
        st.subheader("Leeway and chance of a fault")
        shared.chart(
            published.kept(
                "leeway_chance", frame.reader, choice, build=lambda: charts.leeway_against_chance(view.rows)
            ),
            key="leeway_chance",
            alt="Each vehicle by the leeway it has left and its chance of a fault within 30 days",
        )


def _table(view: TodayView, frame: Frame) -> None:
    st.subheader("Who needs attention")
    for vehicle_id, why in first_in_line(view.rows):
        st.page_link(
            "screens/vehicle.py",
            label=f"**{plain(vehicle_id)}** {plain(why)}",
            query_params={**frame.carried, "vehicle": vehicle_id},
        )
    shared.table(
        shared.known_columns(
            shared.as_percent(view.rows, "cause_probability", "chance_7", "chance_30", "chance_90").select(COLUMNS)
        ),
        key="attention",
        hide_index=True,
        placeholder=shared.ABSENT,
        alt="Vehicles, most urgent first",
        lazy=view.rows.height > 1000,
        column_config={
            "urgency": st.column_config.TextColumn("Urgency", width=115, help=topics()["urgency"].text),
            "why": st.column_config.TextColumn("Why", width=470, help="What its urgency rests on."),
            "title": st.column_config.TextColumn(
                "Leading correction", width=225, help="Of those that stray the one with the least leeway."
            ),
            "what": st.column_config.TextColumn("What it does", width=240, help="Since when and how fast."),
            "cause": st.column_config.TextColumn(
                "Likely cause", width=190, help="The first of the causes on the vehicle's page."
            ),
            "cause_probability": shared.percent_column("How likely", "Chance that this cause is the true one."),
            "leeway_pct": st.column_config.ProgressColumn(
                "Leeway left",
                format="%.0f %%",
                min_value=0,
                max_value=100,
                width=115,
                help="The least towards a limit that sets a code.",
            ),
            "chance_30": shared.percent_column(
                "Fault in 30 d",
                "Chance of at least one new code if nothing is repaired before; those that stand are left out.",
            ),
            "chance_7": shared.percent_column("in 7 d"),
            "chance_90": shared.percent_column("in 90 d"),
            "likely_code": st.column_config.TextColumn("Likely code"),
            "open_faults": st.column_config.NumberColumn("Open codes"),
            "is_outlier": st.column_config.CheckboxColumn("Unlike peers"),
            "last_read_at": st.column_config.DatetimeColumn("Last read", format="D MMM YYYY"),
            "days_since_read": st.column_config.NumberColumn("Days ago", format="%.0f"),
            "engine_family": st.column_config.TextColumn("Engine family"),
            "depot": st.column_config.TextColumn("Depot"),
        },
    )


show()
