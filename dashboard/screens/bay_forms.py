"""The forms at the vehicle: a reading typed by hand, the work that was done, the sign-off; each becomes an entry."""

from datetime import UTC, date, datetime, time

import polars as pl
import streamlit as st

from dashboard import entered, one_vehicle, published
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views import bay as views
from dashboard.views.bay_forms import CIRCUMSTANCES, NOT_NAMED, WORK_DONE, SignOff, TypedReading, WorkDone
from dashboard.views.joined import distinct_titles
from dashboard.views.vehicle import CauseView
from dashboard.views.wording import plain
from pipelines.catalogue.tables import entry_columns
from pipelines.handover import Evidence

MOST = entry_columns().text_limits["value"]


def reading_part(vehicle_id: str, evidence: Evidence, ranking: pl.DataFrame, frame: Frame) -> None:
    """What to read and under which conditions, and a form that takes what was read."""
    form = f"reading of {vehicle_id}"
    states = one_vehicle.states(vehicle_id, frame.reader.as_of)
    asked = views.to_read(states, ranking, published.cause_knowledge(), evidence)
    st.markdown("\n".join(_asked_line(each) for each in asked) or "No correction of this vehicle is known.")
    _said(form)
    if not _writes(frame):
        return
    titles = distinct_titles(states["correction"].sort(), published.corrections())
    others = [code for code in titles if code not in {each.code for each in asked}]
    more = st.multiselect(
        "Other corrections that you read", others, format_func=lambda code: titles[code], key=f"{form}: more"
    )
    added = [views.asked_at(code, states, published.corrections()) for code in more]
    typed = [*asked, *(each for each in added if each is not None)]
    key = entered.client_key(form)
    with st.form(form):
        values: dict[str, float | None] = {}
        sides = st.columns(2)
        for place, each in enumerate(typed):
            unit = f", {each.unit}" if each.unit else ""
            values[each.code] = sides[place % 2].number_input(
                f"{each.title}{unit}", value=None, step=None, format="%.4g", key=f"{form}: {each.code} {key}",
                placeholder=f"should be {each.usual}" if each.usual else "", help=each.when or None,
            )  # fmt: skip
        for place, (column, label) in enumerate(CIRCUMSTANCES.items()):
            values[column] = sides[(place + len(typed)) % 2].number_input(
                label, value=None, format="%.5g", key=f"{form}: {column} {key}"
            )
        on, at = _when(form, key, frame)
        name = shared.your_name(form)
        if not st.form_submit_button("Enter the reading", width="stretch", type="primary"):
            return
    reading = TypedReading(
        vehicle_id=vehicle_id, on=on, at=at, name=name, client_key=key, reader=frame.reader, values=values
    )
    read = {code: value for code, value in values.items() if value is not None}
    said = views.compared(read, {each.code: each for each in typed})
    lines = [f"- **{plain(line)}**" if off else f"- {plain(line)}" for line, off in said]
    _enter(form, reading, "\n".join(["Entered. It counts with the next analysis.", *lines]))


def _asked_line(each: views.ToRead) -> str:
    parts = [f"should be {each.usual}" if each.usual else "", f"read it {each.when}" if each.when else "", each.why]
    return f"- **{plain(each.title)}** — {plain('; '.join(part for part in parts if part))}"


def work_part(vehicle_id: str, causes: list[CauseView], frame: Frame) -> None:
    """A form that takes the work that was done and what it turned out to be."""
    form = f"work on {vehicle_id}"
    _said(form)
    if not _writes(frame):
        return
    key, names = entered.client_key(form), published.names()
    known = [cause.cause for cause in causes]
    turned_out = ["", *dict.fromkeys([*known, *NOT_NAMED, *published.cause_knowledge()])]
    with st.form(form):
        kind = st.selectbox("What was done", WORK_DONE, format_func=_words, key=f"{form}: kind {key}")
        component = st.selectbox(
            "On which part", ["", *published.components()], key=f"{form}: component {key}",
            format_func=lambda part: names.get(part, part) if part else "not said",
        )  # fmt: skip
        cause = st.selectbox(
            "What it turned out to be", turned_out, key=f"{form}: cause {key}",
            format_func=lambda each: names.get(each, _words(each)) if each else "not known yet",
        )  # fmt: skip
        with st.container(horizontal=True):
            bank = st.number_input("Bank", value=None, min_value=1, max_value=4, step=1, key=f"{form}: bank {key}")
            cylinder = st.number_input(
                "Cylinder", value=None, min_value=1, max_value=16, step=1, key=f"{form}: cylinder {key}"
            )
            part = st.text_input("Part number", max_chars=80, key=f"{form}: part {key}")
        with st.container(horizontal=True):
            reset = st.checkbox("Learned values were set back", key=f"{form}: reset {key}")
            cleared = st.checkbox("Codes were cleared", key=f"{form}: cleared {key}")
        complaint = st.text_input("What the driver complained of", max_chars=MOST, key=f"{form}: complaint {key}")
        note = st.text_input("What was found", max_chars=MOST, key=f"{form}: note {key}")
        on, at = _when(form, key, frame)
        name = shared.your_name(form)
        if not st.form_submit_button("Enter the work", width="stretch", type="primary"):
            return
    work = WorkDone(
        vehicle_id=vehicle_id, on=on, at=at, name=name, client_key=key, reader=frame.reader, kind=kind,
        component=component, cause=cause, bank=bank, cylinder=cylinder, part_number=part, complaint=complaint,
        note=note, reset_done=reset, codes_cleared=cleared,
    )  # fmt: skip
    _enter(form, work, "Entered. The next analysis reads what went before as from before this work.")


def sign_off_part(vehicle_id: str, frame: Frame) -> None:
    """That the vehicle may be driven again; safety does not lapse by itself."""
    form = f"sign-off of {vehicle_id}"
    _said(form)
    if not _writes(frame):
        return
    key = entered.client_key(form)
    with st.form(form):
        looked = st.checkbox("What kept it off the road was looked at, and it was driven", key=f"{form}: looked {key}")
        text = st.text_input("What was found", max_chars=MOST, key=f"{form}: text {key}")
        name = shared.your_name(form)
        if not st.form_submit_button("Sign off: it may be driven", width="stretch"):
            return
    now = _now(frame)
    sign = SignOff(
        vehicle_id=vehicle_id, on=now.date(), at=now.time(), name=name, client_key=key, reader=frame.reader,
        text=text, looked=looked,
    )  # fmt: skip
    _enter(form, sign, "Signed off.")


def _writes(frame: Frame) -> bool:
    """Whether this state can be written to: the newest, with a record that can be read."""
    problem = entered.now().problem
    if problem:
        st.warning(plain(problem))
    return frame.newest and not problem


def _when(form: str, key: str, frame: Frame) -> tuple[date, time]:
    now = _now(frame)
    with st.container(horizontal=True):
        on = st.date_input("On", now.date(), key=f"{form}: day {key}")
        at = st.time_input("At", now.time().replace(second=0, microsecond=0), key=f"{form}: time {key}")
    return on, at


def _now(frame: Frame) -> datetime:
    """This moment on the reader's clock; that of the state shown, where it lies ahead of the clock."""
    return frame.reader.local(max(datetime.now(UTC), frame.reader.as_of))


def _words(word: str) -> str:
    return word.replace("_", " ").capitalize()


def _said(form: str) -> None:
    if said := st.session_state.pop(f"{form}: said", ""):
        st.success(said)


def _enter(form: str, typed: entered.Typed, said: str) -> None:
    if problem := entered.enter(form, typed):
        st.error(plain(problem))
        return
    st.session_state[f"{form}: said"] = said
    st.rerun()
