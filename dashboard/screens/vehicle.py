"""One vehicle: what it does in plain words, the chart that shows it, why, how likely a fault is, what that rests on."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import entered, one_vehicle, published
from dashboard.charts.fleet import chances
from dashboard.charts.waiting import cost_of_waiting
from dashboard.screens import frame as shared
from dashboard.screens.checking import checks_part
from dashboard.screens.frame import Frame
from dashboard.screens.glance import beside_part, glance_part, path_chart, states_of
from dashboard.screens.notes import notes_part
from dashboard.screens.record import codes_part, codes_that_stand, logs_part, record_part, repairs_part
from dashboard.screens.setting_back import setting_back_part
from dashboard.screens.trends_picked import titles_of
from dashboard.screens.visit import planned_visit
from dashboard.views import vehicle as views
from dashboard.views import why
from dashboard.views.explained import leading_words
from dashboard.views.joined import distinct_titles
from dashboard.views.notes import FLEET, About, with_notes
from dashboard.views.record import identity
from dashboard.views.today import NO_CAUSE
from dashboard.views.too_little import peers_read
from dashboard.views.waiting import waiting
from dashboard.views.wording import Reader, percent, plain
from pipelines.explain import topics


def show() -> None:
    """The page."""
    _name_in_address()
    frame = shared.choose()
    if frame is None:
        st.title("One vehicle")
        shared.nothing_yet()
        return
    vehicle_state = published.table("vehicle_state", frame.reader.as_of)
    known = vehicle_state.get_column("vehicle_id").sort().to_list()
    if not known:
        st.title("One vehicle")
        st.info("No vehicle was in service on this date, or none was read by then.")
        return
    asked = str(st.query_params.get("vehicle"))
    if asked not in known:
        _unknown(asked, known, frame)
        return
    vehicle_id = st.selectbox("Vehicle", known, index=None, key="vehicle", bind="query-params") or asked
    _vehicle(vehicle_id, vehicle_state, frame)


def _name_in_address() -> None:
    """Go to the address that names the vehicle which is shown, so that it can be mailed; before any widget is there.

    Where none is asked for, it is the first of Today's list; one asked for in other capitals is meant.
    """
    as_of = shared.asked_state(published.kept_as_ofs())
    if as_of is None or not (vehicle_state := published.table("vehicle_state", as_of)).height:
        return
    asked = st.query_params.get("vehicle")
    known = vehicle_state.get_column("vehicle_id").to_list()
    opened = views.asked_for(asked, known) if asked else published.by_urgency(as_of)[0]
    if opened not in {None, asked}:
        asked_all = {name: st.query_params.get_all(name) for name in st.query_params}
        st.switch_page("screens/vehicle.py", query_params={**asked_all, "vehicle": [opened]})


def _unknown(asked: str, known: list[str], frame: Frame) -> None:
    """The answer to a number that is no vehicle's: not another vehicle, but the nearest numbers."""
    st.title(f"Vehicle {plain(asked)}")
    st.warning("It is not in this state: not in service on this date, retired, never read, or its number is another.")
    if alike := views.nearest(asked, known):
        st.markdown("Nearest numbers:")
    for vehicle_id in alike:
        st.page_link(
            "screens/vehicle.py", label=plain(vehicle_id), query_params={**frame.carried, "vehicle": vehicle_id}
        )


def _vehicle(vehicle_id: str, vehicle_state: pl.DataFrame, frame: Frame) -> None:
    as_of = frame.reader.as_of
    states = states_of(vehicle_id, frame)
    about = published.vehicles().filter(pl.col("vehicle_id") == vehicle_id).to_dicts()
    causes = views.causes_of(vehicle_id, entered.checks(vehicle_id, as_of).ranking, published.cause_knowledge())
    summary = views.summary(
        vehicle_id, vehicle_state=vehicle_state, states=states, vehicle=about[0] if about else {}, reader=frame.reader,
        read=one_vehicle.times_read(vehicle_id, as_of),
        peers=peers_read(about[0] if about else {}, published.vehicles(), vehicle_state), causes=causes,
    )  # fmt: skip
    st.title(plain(summary.title))
    st.markdown(
        f"**{summary.urgency}** — {summary.meaning}" + (f"  \n{plain(summary.subtitle)}" if summary.subtitle else "")
    )
    for visit in (planned_visit(vehicle_id, frame), entered.visit(vehicle_id, frame.reader)):
        if visit:
            st.markdown(plain(visit))
    for said in summary.sentences:
        st.markdown(f"## {plain(said)}" if said == summary.sentences[0] else plain(said))
    who = identity(about[0] if about else {}, one_vehicle.clock(vehicle_id, as_of), frame.reader)
    st.caption(" · ".join(f"{name}: {plain(value)}" for name, value in {**summary.facts, **who}.items()))
    shared.basis(frame, published.forecast_warning())
    if summary.leading is None:
        st.info("No correction of this vehicle was ever read.")
        return
    depot = about[0]["depot"] if about else None
    events = with_notes(
        one_vehicle.events(vehicle_id, as_of),
        entered.notes(),
        about=[FLEET, vehicle_id, *([depot] if depot else [])],
        until=as_of,
    )
    _one_correction(vehicle_id, states, frame, leading=summary.leading, events=events, vehicle_state=vehicle_state)
    codes_part(vehicle_id, frame)
    left, right = st.columns([3, 2])
    with left:
        _causes(vehicle_id, about[0] if about else {}, states, frame)
    with right:
        _forecast(vehicle_id, frame)
        _waiting(vehicle_id, frame)
        _unlike_peers(vehicle_id, vehicle_state, frame)
    repairs_part(vehicle_id, frame)
    _all_corrections(vehicle_id, states, frame)
    record_part(events, frame)
    logs_part(vehicle_id, frame)
    notes_part("vehicle", [About(vehicle_id=vehicle_id), *([About(depot=depot)] if depot else []), About()], frame)


@st.fragment  # another correction draws this part anew, not the page
def _one_correction(
    vehicle_id: str,
    states: pl.DataFrame,
    frame: Frame,
    *,
    leading: str,
    events: pl.DataFrame,
    vehicle_state: pl.DataFrame,
) -> None:
    """One correction in depth: of this vehicle, of its family, of another vehicle."""
    correction = _picked_correction(states, leading)
    _correction(vehicle_id, correction, states, events, frame)
    _among_others(vehicle_id, correction, frame)
    beside_part(vehicle_id, correction, vehicle_state, frame)


def _among_others(vehicle_id: str, correction: str, frame: Frame) -> None:
    """Links to this correction across the vehicle's family: in time, and on one day."""
    title = titles_of(frame.reader.as_of).get(correction)
    if title is None:
        return
    place = published.places(frame.reader.as_of).filter(pl.col("vehicle_id") == vehicle_id).to_dicts()
    family = [place[0]["engine_family"]] if place and place[0]["engine_family"] else []
    asked = {**frame.carried, "correction": title, "family": family}
    with st.container(horizontal=True):
        st.page_link("screens/trends.py", label="This correction in its family, in time", query_params=asked)
        st.page_link(
            "screens/trends.py",
            label="and where its family stands today",
            query_params={**asked, "look": "Spread at a date", "by": "depot"},
        )


def _picked_correction(states: pl.DataFrame, leading: str) -> str:
    offered = states.filter(~pl.col("state").is_in(["not_fitted", "not_read"])).get_column("correction").to_list() or [
        leading
    ]
    titles = distinct_titles(states.get_column("correction"), published.corrections())
    first = offered.index(leading) if leading in offered else 0
    picked: str = st.selectbox(
        "Correction", offered, index=first, key="correction", bind="query-params", format_func=lambda code: titles[code]
    )
    return picked


def _correction(vehicle_id: str, correction: str, states: pl.DataFrame, events: pl.DataFrame, frame: Frame) -> None:
    row = states.filter(pl.col("correction") == correction).row(0, named=True)
    path = path_chart(vehicle_id, row, events, frame)
    if path is None:
        return
    meaning = row["rising_means"] if (row["deviation"] or 0) >= 0 else row["falling_means"]
    if meaning:
        side = "above" if (row["deviation"] or 0) >= 0 else "below"
        st.caption(f"What a reading {side} what is expected tells: {plain(meaning)}.")
    if said := why.joined_sentence(row, published.table("drift_joined", frame.reader.as_of), published.corrections()):
        st.caption(plain(said))
    _reasoning(path, row)


def _reasoning(path: pl.DataFrame, row: dict[str, Any]) -> None:
    parts = why.reasoning(path, row)
    if not parts.height:
        st.caption("What was expected of each reading is kept for the newest states only; here are the readings alone.")
        return
    with st.expander("How the expected value and the alarm come about"):
        shared.short_table(
            parts.rename({"part": "Part", "figure": "Figure", "meaning": "What it is"}),
            key="reasoning",
            alt="Parts of the expected value, and the test's statistic beside its threshold",
        )


def _causes(vehicle_id: str, vehicle: dict[str, Any], states: pl.DataFrame, frame: Frame) -> None:
    st.subheader("What it is likely to be, and what to check")
    now = entered.checks(vehicle_id, frame.reader.as_of)
    causes = views.causes_of(vehicle_id, now.ranking, published.cause_knowledge())
    if not causes:
        st.markdown("Nothing strays that a cause could be named for.")
        return
    if [cause.cause for cause in causes] == [NO_CAUSE]:
        st.markdown(f"No cause that is known here stands out. {plain(frame.reader.said(causes[0].evidence))}")
        return
    checks_part(vehicle_id, now, frame)
    for place, cause in enumerate(causes):
        with st.expander(f"{percent(cause.probability)} · {plain(cause.name)}", expanded=place == 0):
            if cause.evidence:
                st.markdown(plain(frame.reader.said(cause.evidence)))
            if place == 0 and states.item(0, "alarm"):
                moved = published.moved_by_causes(vehicle.get("engine_family") or "")
                st.markdown(plain(leading_words(states.row(0, named=True), cause, moved)))
            if cause.checks:
                st.markdown("**Check, in this order:**\n" + "\n".join(f"1. {plain(check)}" for check in cause.checks))
            if cause.lookalikes:
                st.markdown("**Easily taken for:**\n" + "\n".join(f"- {plain(other)}" for other in cause.lookalikes))
            if cause.shows:
                st.markdown(plain(cause.shows))
                setting_back_part(vehicle_id, cause, frame)
    cautions = views.cautions_of(causes)
    if cautions:
        with st.expander("Before you work: " + ", ".join(plain(title) for title, _ in cautions)):
            st.markdown("\n".join(f"- **{plain(title)}.** {plain(text)}" for title, text in cautions))


def _forecast(vehicle_id: str, frame: Frame) -> None:
    st.subheader("Chance of a fault")
    codes = codes_that_stand(vehicle_id, frame).get_column("code").unique(maintain_order=True).to_list()
    view = views.forecast(vehicle_id, published.table("fault_forecast", frame.reader.as_of), codes)
    if not view.rows.height:
        st.markdown("No forecast was made for this vehicle.")
        return
    chart = published.kept("chances", frame.reader, vehicle_id, build=lambda: chances(view.rows))
    shared.chart(chart, key="chances", alt=" ".join(view.sentences))
    st.markdown("\n".join(f"- {plain(said)}" for said in view.sentences))
    st.caption(f"If nothing is repaired before. {plain(frame.reader.said(view.basis))}")


def _waiting(vehicle_id: str, frame: Frame) -> None:
    view = waiting(vehicle_id, published.table("waiting_cost", frame.reader.as_of), frame.reader)
    if view is None:
        return
    st.subheader("If the visit waits")
    chart = published.kept("cost of waiting", frame.reader, vehicle_id, build=lambda: cost_of_waiting(view.rows))
    shared.chart(chart, key="cost_of_waiting", alt=view.sentence)
    st.markdown(plain(view.sentence))
    st.caption("In the fleet's own money; what the fleet's tables do not say of labour, parts and standing is assumed.")


def _unlike_peers(vehicle_id: str, vehicle_state: pl.DataFrame, frame: Frame) -> None:
    st.subheader("Compared with its peers")
    said = why.outlier_sentence(
        vehicle_id, vehicle_state, published.table("outlier_reason", frame.reader.as_of), published.corrections()
    )
    checked = why.distance_sentence(vehicle_id, published.table("outlier_check", frame.reader.as_of))
    st.markdown(plain(f"{said} {checked}"))


def _all_corrections(vehicle_id: str, states: pl.DataFrame, frame: Frame) -> None:
    st.subheader("All its corrections")
    corrections = published.corrections()
    glance_part(vehicle_id, states, frame)
    as_came = views.states_of(vehicle_id, one_vehicle.states(vehicle_id, frame.reader.as_of), corrections)
    shared.table(
        shared.known_columns(views.states_table(states, frame.reader)),
        saved=views.states_table(as_came, Reader(as_of=frame.reader.as_of)).rename(
            {"rate_by_distance": "rate_per_1000km"}
        ),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="all_corrections",
        alt="Every correction of this vehicle, worst first",
        column_config={
            "title": st.column_config.TextColumn("Correction", width=290),
            "state": st.column_config.TextColumn("State"),
            "value": st.column_config.NumberColumn("Read", format="%.4g"),
            "expected": st.column_config.NumberColumn("Expected", format="%.4g"),
            "band": st.column_config.TextColumn("Normal band"),
            "unit": st.column_config.TextColumn("Unit"),
            "z": st.column_config.NumberColumn(
                "Away", help="Distance from expected, in times its healthy scatter", format="%.1f"
            ),
            "rate_per_30d": st.column_config.NumberColumn("A month", format="%.3g"),
            "rate_by_distance": st.column_config.NumberColumn(
                f"In {frame.reader.thousand}", help="How fast it moves by distance", format="%.3g"
            ),
            "leeway_pct": st.column_config.ProgressColumn(
                "Leeway left", format="%.0f %%", min_value=0, max_value=100, help=topics()["leeway"].text
            ),
            "code": st.column_config.TextColumn("Code"),
        },
    )


show()
