"""The drops that came in, what was set aside and why."""

from functools import partial

import polars as pl
import streamlit as st

from dashboard import came_in, files, published
from dashboard.screens import frame as shared
from dashboard.screens.foreign import foreign_file
from dashboard.screens.saving import download
from dashboard.screens.withheld import withheld
from dashboard.views.drops import DropsView, drops, proposed_units
from dashboard.views.wording import count, plain


def show() -> None:
    """The page."""
    st.title("What came in")
    if not published.store().exists():
        shared.nothing_yet()
        foreign_file()
        _words()
        return
    view = drops(came_in.load_reports(), came_in.quarantined())
    flags, proposals = came_in.flagged(), came_in.proposed()
    st.markdown(f"## {plain(view.sentence)}")
    if view.empty_reason:
        st.info(view.empty_reason)
    else:
        withheld()
        _reports(view)
        _set_aside(view)
        _flagged(flags)
        if not published.kept_as_ofs():  # once there is an analysis, what looks so is withheld, and asked about above
            _proposed(proposals)
    foreign_file()
    _words()


def _words() -> None:
    st.page_link("screens/explain.py", label="What words mean: drop, mapping, units, any column")


def _reports(view: DropsView) -> None:
    shared.table(
        view.reports,
        hide_index=True,
        key="reports",
        alt="One row a file that came in, newest first",
        lazy=view.reports.height > 1000,
        placeholder=shared.ABSENT,
        column_config={
            "loaded_at": st.column_config.DatetimeColumn("Came in", format="D MMM YYYY, HH:mm"),
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
            "withdrawn_at": st.column_config.DatetimeColumn("Withdrawn", format="D MMM YYYY, HH:mm"),
        },
    )


def _set_aside(view: DropsView) -> None:
    st.subheader("What was set aside")
    if not view.quarantined.height:
        st.markdown("Nothing: every row kept the contract.")
        return
    columns = {
        "file": st.column_config.TextColumn("File", width="medium"),
        "row_number": st.column_config.NumberColumn("Row"),
        "column_name": st.column_config.TextColumn("Column"),
        "reason": st.column_config.TextColumn("Why", width="medium"),
        "detail": st.column_config.TextColumn("What came", width="medium"),
        "original": st.column_config.TextColumn("The row as it came", width="large"),
        "rows": st.column_config.NumberColumn("Rows"),
    }
    shared.table(
        view.reasons,
        hide_index=True,
        key="reasons",
        alt="Why rows were set aside, commonest first",
        column_config=columns,
    )
    shared.table(
        view.quarantined,
        hide_index=True,
        key="quarantined",
        alt="Rows set aside, with what came",
        lazy=view.quarantined.height > 1000,
        placeholder=shared.ABSENT,
        column_config=columns,
    )
    st.markdown("Mend the cells in a spreadsheet, keep the column quarantine_id, and load the file again.")
    for stem, frame in came_in.rows_to_mend().items():
        download(
            f"Download {count(frame.height, 'row')} to mend: {stem}.csv",
            partial(files.as_csv, frame),
            f"{stem}.csv",
            mime="text/csv",
            right="load",
        )


def _flagged(flags: pl.DataFrame) -> None:
    st.subheader("What loaded although it is unusual")
    if not flags.height:
        st.markdown("Nothing was flagged.")
        return
    shared.table(
        flags.select("vehicle_id", "column_name", "reason", "detail", "file", "row_number"),
        hide_index=True,
        key="flags",
        alt="Values that loaded although they are unusual, newest load first",
        lazy=flags.height > 1000,
        placeholder=shared.ABSENT,
        column_config={
            "vehicle_id": st.column_config.TextColumn("Vehicle"),
            "column_name": st.column_config.TextColumn("Column"),
            "reason": st.column_config.TextColumn("Why", width="large"),
            "detail": st.column_config.TextColumn("What came", width="medium"),
            "file": st.column_config.TextColumn("File", width="medium"),
            "row_number": st.column_config.NumberColumn("Row"),
        },
    )


def _proposed(proposals: pl.DataFrame) -> None:
    if not proposals.height:
        return
    st.subheader("What may be in another unit")
    st.markdown("Nothing was converted: whether it is so, you know.")
    for line in proposed_units(proposals):
        st.markdown(f"- {plain(line)}")
    with st.expander("File by file"):
        shared.table(
            proposals.select("file", "column_name", "unit", "readings", "vehicles", "example"),
            hide_index=True,
            key="proposals",
            alt="Columns that look like another unit, by file, newest load first",
            placeholder=shared.ABSENT,
            column_config={
                "file": st.column_config.TextColumn("File", width="medium"),
                "column_name": st.column_config.TextColumn("Column", help="*: several corrections at once"),
                "unit": st.column_config.TextColumn("Looks like"),
                "readings": st.column_config.NumberColumn("Readings"),
                "vehicles": st.column_config.NumberColumn("Vehicles"),
                "example": st.column_config.TextColumn("The first", width="medium"),
            },
        )


show()
