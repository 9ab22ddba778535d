"""The part of a page that says what to set back after the work on a cause, and when to read the vehicle again."""

import polars as pl
import streamlit as st

from dashboard import one_vehicle, published
from dashboard.screens.frame import Frame
from dashboard.views.bay import after_work
from dashboard.views.vehicle import CauseView
from dashboard.views.wording import plain


def setting_back_part(vehicle_id: str, cause: CauseView, frame: Frame) -> None:
    """The corrections by name, and the hours in each region in which they learn anew.

    Args:
        vehicle_id: The fleet number.
        cause: A cause of the knowledge, with its place.
        frame: Who reads which state.
    """
    mine = one_vehicle.states(vehicle_id, frame.reader.as_of).filter(pl.col("state") != "not_fitted")
    after = published.kept(
        "after work", vehicle_id, frame.reader.as_of, cause.cause, cause.bank, cause.cylinder,
        build=lambda: after_work(
            published.cause_knowledge()[cause.cause], one_vehicle.evidence(vehicle_id, frame.reader.as_of),
            mine["correction"].to_list(), bank=cause.bank, cylinder=cause.cylinder,
        ),
    )  # fmt: skip
    lines = [f"**Set back after the work:** {plain(after.reset)}."]
    if after.corrections:
        lines.append(f"That is: {plain('; '.join(after.corrections))}.")
    if after.relearning:
        lines.append("**Read it again** after so many hours of driving there:")
    st.markdown("\n\n".join(lines))
    if after.relearning:
        st.markdown("\n".join(f"- {plain(each)}" for each in after.relearning))
