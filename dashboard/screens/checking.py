"""The part of a vehicle's page that says what to check next and takes what a check found."""

import streamlit as st

from dashboard import entered
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.checks import ChecksNow, Offered, Result
from dashboard.views.wording import percent, plain

LISTED = 5  # checks that are said; the result of any can be entered


def checks_part(vehicle_id: str, now: ChecksNow, frame: Frame) -> None:
    """The next check with its results to pick from, and those after it.

    Args:
        vehicle_id: The fleet number.
        now: What is known of its causes.
        frame: Who reads which state; an older one is not written to.
    """
    form = f"check on {vehicle_id}"
    if said := st.session_state.pop(f"{form}: said", ""):
        st.success(said)
    if now.found:
        st.markdown("**Checked:**\n" + "\n".join(f"- {plain(found)}" for found in now.found))
    if not now.offered:
        return
    first = now.offered[0]
    st.markdown(
        f"**Check next: {plain(first.title)}** — {first.minutes:.0f} minutes, expected to settle "
        f"{percent(first.settles)} of the doubt."
    )
    if len(now.offered) > 1:
        rest = "; ".join(f"{plain(each.title)} ({each.minutes:.0f} min)" for each in now.offered[1:LISTED])
        st.caption(f"After that: {rest}.")
    if frame.newest and not entered.now().problem:
        _form(form, vehicle_id, now.offered)


def _form(form: str, vehicle_id: str, offered: list[Offered]) -> None:
    key = entered.client_key(form)
    known = {each.check_id: each for each in offered}
    check = st.selectbox(
        "Check that was done", list(known), format_func=lambda each: known[each].title, key=f"{form}: check {key}"
    )
    picked = known[check]
    with st.form(form, border=False):
        result = st.radio(
            "What it found",
            list(picked.results),
            index=None,
            format_func=lambda each: picked.results[each].capitalize(),
            key=f"{form}: result {picked.check_id} {key}",
        )
        name = shared.your_name(form)
        if not st.form_submit_button("Enter what was found"):
            return
    typed = Result(vehicle_id=vehicle_id, check_id=picked.check_id, result=result or "", name=name, client_key=key)
    if problem := entered.enter(form, typed):
        st.error(plain(problem))
        return
    st.session_state[f"{form}: said"] = "Entered. The causes below are weighed anew with it."
    st.rerun()
