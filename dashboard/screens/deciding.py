"""The part of the plan's page where people decide on visits, and have the plan made again with what they decided."""

from datetime import date

import streamlit as st

from dashboard import entered, published
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.deciding import ANSWERS, WORK_DONE, Visit
from dashboard.views.plan import PlanView
from dashboard.views.wording import plain
from pipelines.catalogue.tables import entry_columns
from pipelines.errors import LeewayError

FORM = "visit"
LIMITS = entry_columns().text_limits


def decide_part(view: PlanView, frame: Frame) -> None:
    """The form, and the button that plans again; nothing where an older state is shown.

    Args:
        view: The plan shown.
        frame: Who reads which state.
    """
    known = entered.now()
    if known.problem:
        st.warning(plain(known.problem))
        return
    if not frame.newest or not view.vehicles:
        return
    st.subheader("Decide")
    if said := st.session_state.pop(f"{FORM}: said", ""):
        st.success(said)
    _form(view, frame)
    if st.button("Plan again with what was decided", key="plan again"):
        try:
            with st.spinner("Planning"):
                published.plan_again()
        except LeewayError as error:
            st.error(plain(str(error)))
            return
        st.rerun()


def _form(view: PlanView, frame: Frame) -> None:
    key = entered.client_key(FORM)
    vehicle = st.selectbox("Vehicle", list(view.vehicles), key=f"{FORM}: vehicle")
    shown: date = view.vehicles[vehicle] or frame.reader.local(frame.reader.as_of).date()
    with st.form(FORM, border=False):
        with st.container(horizontal=True):
            value = st.selectbox("Decision", list(ANSWERS), format_func=ANSWERS.__getitem__, key=f"{FORM}: value")
            on = st.date_input("Day", shown, key=f"{FORM}: day {vehicle} {key}")
            name = shared.your_name(FORM)
        text = st.text_input("Why, or what was found", max_chars=LIMITS["value"], key=f"{FORM}: text {key}")
        with st.container(horizontal=True):
            work = st.selectbox(
                "If it is done: what was done",
                WORK_DONE,
                format_func=lambda kind: kind.replace("_", " ").capitalize(),
                key=f"{FORM}: work",
            )
            component = st.selectbox(
                "on which part", ["", *published.components()], key=f"{FORM}: component",
                format_func=lambda part: published.names().get(part, part) if part else "not said",
            )  # fmt: skip
        if not st.form_submit_button("Enter the decision"):
            return
    visit = Visit(
        vehicle_id=vehicle, value=value, on=on, text=text, work=work, component=component, name=name,
        client_key=key, reader=frame.reader,
    )  # fmt: skip
    if problem := entered.enter(FORM, visit):
        st.error(plain(problem))
        return
    st.session_state[f"{FORM}: said"] = "Entered. It stands beside the visit now, and the next plan keeps to it."
    st.rerun()
