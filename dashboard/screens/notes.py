"""The part of a page on which notes stand and are written: about a vehicle, a depot, the whole fleet."""

from collections.abc import Sequence

import polars as pl
import streamlit as st

from dashboard import entered
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.notes import About, Note
from dashboard.views.wording import plain
from pipelines.catalogue.tables import entry_columns

LIMITS = entry_columns().text_limits


def notes_part(page: str, abouts: Sequence[About], frame: Frame) -> None:
    """The notes that concern this page, and a form to write one.

    Args:
        page: Its name, for the keys of the widgets.
        abouts: What a note may be about here; the first is offered.
        frame: Who reads which state.
    """
    known = entered.now()
    if known.problem:
        st.warning(plain(known.problem))
        return
    shown = entered.notes().filter(pl.col("about").is_in([about.name for about in abouts]))
    with st.expander(f"Notes ({shown.height})" if shown.height else "Write a note"):
        if shown.height:
            _table(page, shown, frame)
        _form(page, abouts, frame)


def _table(page: str, shown: pl.DataFrame, frame: Frame) -> None:
    shared.table(
        shown.drop("id"),
        hide_index=True,
        placeholder=shared.ABSENT,
        key=f"notes of {page}",
        alt="Notes, newest first",
        column_config={
            "at": st.column_config.DatetimeColumn("When", format="D MMM YYYY", timezone=frame.reader.zone.key),
            "about": st.column_config.TextColumn("About"),
            "text": st.column_config.TextColumn("Note", width="large"),
            "who": st.column_config.TextColumn("Written by"),
        },
    )


def _form(page: str, abouts: Sequence[About], frame: Frame) -> None:
    form = f"note on {page}"
    if said := st.session_state.pop(f"{form}: said", ""):
        st.success(said)
    key = entered.client_key(form)  # another one for each note: an empty field after one was written
    with st.form(form, border=False):
        text = st.text_area("Note", max_chars=LIMITS["value"], height=80, key=f"{form}: text {key}")
        with st.container(horizontal=True):
            about = st.selectbox("About", abouts, format_func=lambda each: each.label, key=f"{form}: about")
            on = st.date_input("On", frame.reader.local(frame.reader.as_of).date(), key=f"{form}: day {key}")
            name = shared.your_name(form)
        if not st.form_submit_button("Write it down"):
            return
    note = Note(text=text, about=about, on=on, name=name, client_key=key, reader=frame.reader)
    if problem := entered.enter(form, note):
        st.error(plain(problem))
        return
    st.session_state[f"{form}: said"] = "Written down."
    st.rerun()  # the charts above show it
