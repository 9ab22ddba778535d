"""Part of pages: an analysis made at the press of a button, and what it found."""

import streamlit as st

from dashboard import published, signed_in
from dashboard.analysing import analysed
from dashboard.screens.allowed import button
from dashboard.views.wording import plain
from pipelines.errors import LeewayError

FOUND = "the analysis found"  # in the session: lines


def analyse_now() -> None:
    """A button that makes an analysis; the page runs again with it."""
    if button("Analyse now", "load", type="primary", key="analyse_now"):
        signed_in.must("load")
        signed_in.did("analysed")
        try:
            with st.spinner("Analysing: some seconds, and a minute or two the first time on a machine"):
                st.session_state[FOUND] = analysed(published.store().path)
        except LeewayError as error:
            st.warning(plain(str(error)))
            return
        st.rerun()


def what_was_found() -> bool:
    """Whether an analysis was made here since a file was loaded; its lines, and the way to the page about them."""
    lines = st.session_state.get(FOUND)
    if lines is None:
        return False
    for line in lines:
        st.markdown(f"- {plain(line)}")
    st.page_link("screens/today.py", label="Today: who needs attention, and why")
    return True
