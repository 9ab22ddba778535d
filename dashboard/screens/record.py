"""Parts of the vehicle's page: codes that stand, verdicts on earlier repairs, everything on record."""

import polars as pl
import streamlit as st
from streamlit.elements.lib.column_types import ColumnConfig

from dashboard import one_vehicle, published
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.record import earlier_repairs, log_table, record_table, standing_codes
from pipelines.catalogue.corrections import own_code_titles


def codes_that_stand(vehicle_id: str, frame: Frame) -> pl.DataFrame:
    """Codes that stand in a vehicle's fault memory, by name, with how they were set: `standing_codes`."""
    as_of = frame.reader.as_of
    return published.kept(
        "codes that stand", vehicle_id, frame.reader,
        build=lambda: standing_codes(
            one_vehicle.fault_events(vehicle_id, as_of), one_vehicle.evidence(vehicle_id, as_of).faults,
            own_code_titles(published.corrections()), frame.reader,
        ),
    )  # fmt: skip


def codes_part(vehicle_id: str, frame: Frame) -> None:
    """Codes that stand in the fault memory, by name, with how they were set."""
    codes = codes_that_stand(vehicle_id, frame)
    if not codes.height:
        return
    st.subheader("Codes that stand")
    shared.table(
        shared.known_columns(codes),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="codes",
        alt="Fault codes that stand, newest first",
        column_config={
            "code": st.column_config.TextColumn("Code"),
            "title": st.column_config.TextColumn("What it says", width="large"),
            "since": _day("Set", frame),
            "times": st.column_config.NumberColumn("Times"),
            "marks": st.column_config.TextColumn("Marked"),
            "frame": st.column_config.TextColumn("Conditions when it was set", width="large"),
        },
    )
    st.caption("Read and write down codes and conditions before the memory is cleared: clearing takes both.")


def repairs_part(vehicle_id: str, frame: Frame) -> None:
    """Whether what was repaired on it held."""
    repairs = earlier_repairs(vehicle_id, published.table("repair_outcome", frame.reader.as_of), published.names())
    if not repairs.height:
        return
    st.subheader("Did its repairs hold")
    shared.table(
        repairs,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="repairs",
        alt="Repairs of this vehicle and what the readings since say of them, newest first",
        column_config={
            "done_at": _day("Done", frame),
            "part": st.column_config.TextColumn("Part"),
            "verdict": st.column_config.TextColumn("Verdict"),
            "evidence": st.column_config.TextColumn("What the readings say", width="large"),
        },
    )


def record_part(events: pl.DataFrame, frame: Frame) -> None:
    """Everything that happened to it."""
    st.subheader("Its record")
    if not events.height:
        st.markdown("No work, fault, power loss or note is on record.")
        return
    shared.table(
        shared.known_columns(record_table(events, frame.reader)),
        saved=events.reverse().rename({"km": "odometer_km"}),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="record",
        alt="Work, faults, power losses, calibrations and notes, newest first",
        column_config={
            "at": _day("When", frame),
            "kind": st.column_config.TextColumn("Kind"),
            "text": st.column_config.TextColumn("What", width="large"),
            "found": st.column_config.TextColumn("Cause found"),
            "workshop": st.column_config.TextColumn("Workshop"),
            "odometer": st.column_config.TextColumn("Odometer"),
            "remark": st.column_config.TextColumn("Complaint, remark"),
        },
    )


def logs_part(vehicle_id: str, frame: Frame) -> None:
    """Of how many rows of its logs each value was made, and how far those lie apart; nothing where it has none."""
    values = log_table(one_vehicle.log_values(vehicle_id, frame.reader.as_of), published.names())
    if not values.height:
        return
    with st.expander("What the values from its logs rest on"):
        shared.table(
            values,
            hide_index=True,
            placeholder=shared.ABSENT,
            key="log_values",
            alt="Each value that rows of a log made: how many rows counted, and between which eight in ten of them lie",
            lazy=values.height > 1000,
            column_config={
                "read_at": _day("Read", frame),
                "what": st.column_config.TextColumn("What", width="large"),
                "rows": st.column_config.NumberColumn("Rows that counted"),
                "least": st.column_config.NumberColumn("Eight in ten from", format="%.4g"),
                "most": st.column_config.NumberColumn("To", format="%.4g"),
            },
        )


def _day(label: str, frame: Frame) -> ColumnConfig:
    return st.column_config.DatetimeColumn(label, format="D MMM YYYY", timezone=frame.reader.zone.key)
