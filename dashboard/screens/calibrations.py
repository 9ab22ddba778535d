"""The part of the recurring page about calibrations and modules: who is behind, what updates did, what was replaced."""

from functools import partial

import polars as pl
import streamlit as st

from dashboard import files, published
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.saving import download
from dashboard.views.calibrations import NEEDED, CalibrationsView, calibrations, shows
from dashboard.views.wording import count, plain


def calibrations_part(frame: Frame) -> None:
    """The register, the list for a campaign, shifts, effects, modules."""
    tables = {name: published.table(name, frame.reader.as_of) for name in NEEDED}
    view = calibrations(tables, published.names())
    shared.basis(frame, "A vehicle counts with the calibration of its newest reading; intervals are 95 %.")
    if view.empty_reason:
        st.info(view.empty_reason)
    else:
        st.markdown(f"## {plain(view.sentence)}")
        _register(view, frame)
        _behind(view.behind, frame)
        _effects(view.effects)
        _shifts(view.shifts)
    _modules(view.modules, frame)


def _day(label: str, frame: Frame) -> object:
    return st.column_config.DatetimeColumn(label, format="D MMM YYYY", timezone=frame.reader.zone.key)


def _register(view: CalibrationsView, frame: Frame) -> None:
    shared.table(
        shared.known_columns(view.register),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="register",
        alt="Calibrations by engine family, newest first",
        column_config={
            "engine_family": st.column_config.TextColumn("Engine family"),
            "calibration": st.column_config.TextColumn("Calibration"),
            "released_on": st.column_config.DateColumn("Released", format="D MMM YYYY"),
            "first_read_at": _day("First read", frame),
            "newest": st.column_config.TextColumn(""),
            "vehicles": st.column_config.NumberColumn("Have it"),
            "behind": st.column_config.NumberColumn("Are behind it"),
            "note": st.column_config.TextColumn("Note", width="medium"),
        },
    )


def _behind(rows: pl.DataFrame, frame: Frame) -> None:
    if not rows.height:
        return
    st.subheader("Who is behind")
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="behind",
        height=320,
        alt="Vehicles with an older calibration than the newest of their family",
        column_config={
            "vin": st.column_config.TextColumn("VIN"),
            "depot": st.column_config.TextColumn("Depot"),
            "engine_family": st.column_config.TextColumn("Engine family"),
            "calibration": st.column_config.TextColumn("Has"),
            "newest_calibration": st.column_config.TextColumn("Newest"),
            "has_it_since": _day("Has it since", frame),
            "last_read_at": _day("Last read", frame),
        },
    )
    download(
        f"Download the list for a campaign ({plain(count(rows.height, 'vehicle'))})",
        partial(files.as_csv, rows),
        "campaign.csv",
        mime="text/csv",
    )


def _effects(rows: pl.DataFrame) -> None:
    st.subheader("Is an update the cure?")
    if not rows.height:
        st.info("Too little happened before and after an update to compare.")
        return
    st.caption(
        "First events with the calibration over those with the family's earlier ones, at the same age and duty, "
        "weighed by how usual such events were at the time. Limits hold for all things of a calibration together."
    )
    shown = rows.filter(shows(rows))
    if not shown.height:
        st.markdown("No update changed how often any trouble comes, beyond what may be chance.")
    else:
        _effect_table(shown, "effects")
    with st.expander(f"All that was compared ({rows.height})"):
        _effect_table(rows, "all_effects")


def _effect_table(rows: pl.DataFrame, key: str) -> None:
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key=key,
        alt="Trouble with each calibration over that with those before it",
        column_config={
            "calibration": st.column_config.TextColumn("Calibration"),
            "what": st.column_config.TextColumn("Trouble", width="medium"),
            "effect": st.column_config.TextColumn("What shows"),
            "times": st.column_config.TextColumn("Times the rate before"),
            "events": st.column_config.NumberColumn("With it"),
            "events_before": st.column_config.NumberColumn("Before"),
        },
    )


def _shifts(rows: pl.DataFrame) -> None:
    st.subheader("What an update shifted")
    if not rows.height:
        st.info("No update moved a correction clearly, or too few vehicles were read before and after one.")
        return
    st.caption("In each correction's own unit; of vehicles that were read before and after it.")
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="shifts",
        height=320,
        alt="By how much each update moved each correction, clearest first",
        column_config={
            "update": st.column_config.TextColumn("Update"),
            "correction": st.column_config.TextColumn("Correction", width="medium"),
            "shift": st.column_config.NumberColumn("Shift", format="%.3g"),
            "low": st.column_config.NumberColumn("at least", format="%.3g"),
            "high": st.column_config.NumberColumn("at most", format="%.3g"),
            "scatters": st.column_config.NumberColumn("in healthy scatters", format="%.2f"),
            "vehicles": st.column_config.NumberColumn("Vehicles"),
        },
    )


def _modules(rows: pl.DataFrame, frame: Frame) -> None:
    st.subheader("Replaced modules")
    if not rows.height:
        st.info("No module changed its serial, or no reading tells of serials.")
        return
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="modules",
        alt="Replaced modules, newest first",
        column_config={
            "changed_at": _day("First read with it", frame),
            "old_module": st.column_config.TextColumn("Before"),
            "new_module": st.column_config.TextColumn("Now"),
            "origin": st.column_config.TextColumn("Where it came from"),
            "began_with": st.column_config.TextColumn("Began with"),
            "calibration": st.column_config.TextColumn("Calibration"),
            "relearning": st.column_config.TextColumn("Relearning"),
        },
    )
