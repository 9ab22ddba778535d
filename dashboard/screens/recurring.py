"""What keeps coming back, whether repairs held, and who has which calibration: one part of the page at a time."""

import streamlit as st

from dashboard.screens import frame as shared
from dashboard.screens.calibrations import calibrations_part
from dashboard.screens.findings import findings_part
from dashboard.screens.repairs import repairs_part

PARTS = {"Findings": findings_part, "Repairs": repairs_part, "Calibrations and modules": calibrations_part}


def show() -> None:
    """The page."""
    st.title("What keeps coming back")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    part = st.segmented_control(
        "About", list(PARTS), default="Findings", required=True, key="part", bind="query-params",
        label_visibility="collapsed",
    )  # fmt: skip
    PARTS[part](frame)


show()
