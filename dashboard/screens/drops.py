"""The drops that came in, what was set aside and why."""

import streamlit as st

from dashboard import published
from dashboard.screens import frame as shared
from dashboard.views.drops import drops
from dashboard.views.plan import safe_for_sheets


def show() -> None:
    """The page."""
    st.title("What came in")
    if not published.store().exists():
        shared.nothing_yet()
        return
    view = drops(published.load_reports(), published.quarantined())
    st.markdown(f"#### {view.sentence}")
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    st.dataframe(view.reports, hide_index=True, key="reports", alt="One row a file that came in")
    st.subheader("What was set aside")
    if not view.quarantined.height:
        st.markdown("Nothing: every row kept the contract.")
        return
    st.dataframe(view.reasons, hide_index=True, key="reasons", alt="Why rows were set aside, commonest first")
    st.dataframe(
        view.quarantined, hide_index=True, key="quarantined", alt="Rows set aside", lazy=view.quarantined.height > 1000
    )
    st.download_button(
        "Download to mend and load again",
        data=lambda: safe_for_sheets(view.quarantined).write_csv().encode(),
        file_name="quarantine.csv",
        mime="text/csv",
        on_click="ignore",
    )
