"""The drops that came in, what was set aside and why."""

import streamlit as st

from dashboard import published
from dashboard.screens import frame as shared
from dashboard.screens.foreign import foreign_file
from dashboard.views.drops import DropsView, drops
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
    else:
        _reports(view)
        _set_aside(view)
    foreign_file()


def _reports(view: DropsView) -> None:
    st.dataframe(
        view.reports,
        hide_index=True,
        key="reports",
        alt="One row a file that came in, newest first",
        lazy=view.reports.height > 1000,
        placeholder=shared.ABSENT,
        column_config={
            "loaded_at": st.column_config.DatetimeColumn(
                "Came in", format="D MMM YYYY, HH:mm", timezone=shared.reader_zone().key
            ),
            "drop_name": st.column_config.TextColumn("Drop"),
            "file": st.column_config.TextColumn("File", width="medium"),
            "table_name": st.column_config.TextColumn("Table"),
            "row_count": st.column_config.NumberColumn("Rows"),
            "loaded": st.column_config.NumberColumn("Loaded"),
            "replaced": st.column_config.NumberColumn("Replaced", help="Same key, new content; the old row is kept."),
            "repeated": st.column_config.NumberColumn("Known already"),
            "quarantined": st.column_config.NumberColumn("Set aside"),
            "flagged": st.column_config.NumberColumn("Flagged", help="Values that loaded although they are unusual."),
            "extra_columns": st.column_config.TextColumn("Columns kept out"),
            "unreadable": st.column_config.TextColumn("Why it was not read", width="large"),
        },
    )


def _set_aside(view: DropsView) -> None:
    st.subheader("What was set aside")
    if not view.quarantined.height:
        st.markdown("Nothing: every row kept the contract.")
        return
    words = {
        "file": st.column_config.TextColumn("File", width="medium"),
        "row_number": st.column_config.NumberColumn("Row"),
        "column_name": st.column_config.TextColumn("Column"),
        "reason": st.column_config.TextColumn("Why", width="medium"),
        "detail": st.column_config.TextColumn("What came", width="medium"),
        "original": st.column_config.TextColumn("The row as it came", width="large"),
        "rows": st.column_config.NumberColumn("Rows"),
    }
    st.dataframe(
        view.reasons,
        hide_index=True,
        key="reasons",
        alt="Why rows were set aside, commonest first",
        column_config=words,
    )
    st.dataframe(
        view.quarantined,
        hide_index=True,
        key="quarantined",
        alt="Rows set aside, with what came",
        lazy=view.quarantined.height > 1000,
        placeholder=shared.ABSENT,
        column_config=words,
    )
    st.download_button(
        "Download to mend and load again",
        data=lambda: safe_for_sheets(view.quarantined).write_csv().encode("utf-8-sig"),
        file_name="set_aside.csv",
        mime="text/csv",
        on_click="ignore",
    )


show()
