"""The part of the plan's page where people decide on visits, and have the plan made again with what they decided."""

from datetime import date

import streamlit as st

from dashboard import entered, published
from dashboard.screens import frame as shared
from dashboard.screens.allowed import button
from dashboard.screens.frame import Frame
from dashboard.screens.saving import offer_table
from dashboard.views.deciding import ANSWERS, WORK_DONE, Visit, decided_in, to_decide
from dashboard.views.plan import PlanView
from dashboard.views.wording import plain
from pipelines.catalogue.tables import entry_columns
from pipelines.errors import LeewayError

FORM = "visit"
TABLE = "visits"
SAID = f"{FORM}: said"
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
    if said := st.session_state.pop(SAID, ""):
        st.success(said)
    _form(view, frame)
    _several(view, frame)
    if button("Plan again with what was decided", "plan", key="plan again"):
        try:
            with st.spinner("Planning"):
                published.plan_again()
        except LeewayError as error:
            st.error(plain(str(error)))
            return
        st.rerun()


def _form(view: PlanView, frame: Frame) -> None:
    key, names = entered.client_key(FORM), published.names()
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
                format_func=lambda part: names.get(part, part) if part else "not said",
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
    st.session_state[SAID] = "Entered. It stands beside the visit now, and the next plan keeps to it."
    st.rerun()


def _several(view: PlanView, frame: Frame) -> None:
    """A table with a row a vehicle: whatever is decided in it is entered at once."""
    key = entered.client_key(TABLE)
    shown = to_decide(view.rows, view.waiting)
    with st.expander("Several at once, in a table"):
        st.caption(
            "By keyboard: arrows go from cell to cell; Enter opens one, typing picks from its list, and Enter goes on "
            "to the row below. Copy and paste work over many rows. Rows without a decision stay as they are."
        )
        with st.form(TABLE, border=False):
            typed = shared.editor(
                shown,
                hide_index=True,
                num_rows="fixed",
                placeholder="",
                key=f"{TABLE}: {key}",
                disabled=["vehicle_id", "day", "depot", "jobs"],
                column_config={
                    "vehicle_id": st.column_config.TextColumn("Vehicle", pinned=True),
                    "day": st.column_config.DateColumn("Planned", format="ddd D MMM"),
                    "decision": st.column_config.SelectboxColumn("Decision", options=list(ANSWERS.values()), width=200),
                    "on": st.column_config.DateColumn(
                        "Day",
                        format="ddd D MMM",
                        help="Accepted without a day: the planned one. Done: when; empty: today.",
                    ),
                    "text": st.column_config.TextColumn(
                        "Why, or what was found", max_chars=LIMITS["value"], width="medium"
                    ),
                    "work": st.column_config.SelectboxColumn("Done: what", options=list(WORK_DONE)),
                    "component": st.column_config.SelectboxColumn("on which part", options=published.components()),
                    "depot": st.column_config.TextColumn("Depot"),
                    "jobs": st.column_config.TextColumn("Jobs", width="large"),
                },
            )
            name = shared.your_name(TABLE)
            sent = st.form_submit_button("Enter what the table says")
        offer_table(typed, TABLE, {})
    if not sent:
        return
    visits, problems = decided_in(typed, shown, name=name, client_key=key, reader=frame.reader)
    if not visits:
        problems = ["No row has a decision: pick one in the column Decision."]
    problems = problems or entered.enter_several(TABLE, visits)
    if problems:
        st.error("\n".join(f"- {plain(problem)}" for problem in problems))
        return
    st.session_state[SAID] = (
        f"Entered: {len(visits)}. They stand beside the visits now, and the next plan keeps to them."
    )
    st.rerun()
