"""Where to begin: the road from files to a plan, how often to read, and what each figure needs before it speaks."""

import polars as pl
import streamlit as st

from dashboard import published
from dashboard.screens import frame as shared
from dashboard.views.begin import STEPS, cadences, needs, of_this_fleet
from dashboard.views.wording import number, shell_word
from pipelines.settings import Settings

ROADS = {  # who -> page, what they do there
    "The fleet manager": ("today", "who needs attention and why, what is new, who was not read"),
    "The workshop": ("plan", "what to do in which bay on which day; papers for each visit"),
    "The mechanic": ("bay", "what to read and check at the vehicle, and what to set back"),
    "The analyst": ("trends", "one correction over the fleet; before and after; questions in SQL"),
}


def show() -> None:
    """The page."""
    st.title("Getting started")
    here = shell_word(str(published.store().path))
    st.markdown("## Load what there is, analyse it, plan the work; then read again, as regularly as you can.")
    st.code(
        f"leeway load ANYTHING --store {here}\nleeway analyse --store {here}\nleeway plan --store {here}",
        language="bash",
    )
    st.markdown(
        "Files can be loaded on the page too, whatever their columns. `leeway explain --example DIR` writes some."
    )
    st.page_link("screens/drops.py", label="Load a file")
    st.subheader("Who looks where")
    for who, (page, what) in ROADS.items():
        st.page_link(f"screens/{page}.py", label=f"**{who}**: {what}")
    _cadences()
    _needs()
    st.page_link("screens/explain.py", label="What every word, table, column, correction and cause means")


def _cadences() -> None:
    st.subheader("How often to read")
    states = published.kept_as_ofs()
    model = published.table("drift_model", states[0]) if states else pl.DataFrame()
    promise = (published.setting("false_alarms_per_vehicle_year", states[0]) if states else None) or (
        Settings().false_alarms_per_vehicle_year
    )
    corrections, memory = of_this_fleet(model)
    whose = "this fleet's" if model.height else "a usual"
    st.markdown(
        f"Days from a change to its alarm, at the promise of one false alarm in {number(1 / promise)} years of a "
        f"healthy vehicle with {number(corrections)} corrections, {whose} number."
    )
    columns = {
        f"step_{size:g}": st.column_config.NumberColumn(
            f"Step of {size:g} scatters", help="A sudden change, in times the healthy scatter", format="%d d"
        )
        for size in STEPS
    }
    shared.table(
        cadences(promise, corrections=corrections, memory_days=memory),
        key="cadences",
        hide_index=True,
        alt="Days from a change to its alarm, by how often a vehicle is read",
        column_config={
            "read": st.column_config.TextColumn("Read"),
            "first_alarm": st.column_config.NumberColumn(
                "New vehicle: first alarm", help="Before that it is learning", format="%d d"
            ),
            "slow": st.column_config.NumberColumn("New vehicle: slow changes", format="%d d"),
            **columns,
            "slope": st.column_config.NumberColumn("One scatter a month", help="A slow change", format="%d d"),
        },
    )
    st.caption(
        "The fewest readings that any test of this promise needs on average (Lorden 1971); Leeway's own takes somewhat "
        "more, and more where vehicles differ much. Days are whole readings apart."
    )


def _needs() -> None:
    st.subheader("What each figure needs")
    shared.table(
        needs(),
        key="needs",
        hide_index=True,
        alt="What must have been read before each figure says something, and what stands in until then",
        column_config={
            "figure": st.column_config.TextColumn("Figure", width="large"),
            "needs": st.column_config.TextColumn("Needs", width="large"),
            "until_then": st.column_config.TextColumn("Until then", width="medium"),
        },
    )


show()
