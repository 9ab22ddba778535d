"""How far to trust the forecast."""

import streamlit as st

from dashboard import published
from dashboard.charts.fleet import reliability
from dashboard.screens import frame as shared
from dashboard.views.trust import HOW_TO_CHECK, trust


def show() -> None:
    """The page."""
    st.title("How far to trust it")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    horizon = st.segmented_control(
        "A fault within",
        [7, 30, 90],
        default=30,
        required=True,
        key="horizon",
        bind="query-params",
        format_func=lambda days: f"{days} days",
    )
    view = trust(published.newest_table("forecast_check"), published.reliability_curve(), horizon_days=horizon)
    if view.empty_reason:
        st.info(view.empty_reason)
        st.code(HOW_TO_CHECK, language="bash")
        return
    for said in view.sentences:
        st.markdown(said)
    shared.basis(frame, "Each past date was analysed as of then and scored against what came after.")
    if view.curve.height:
        st.altair_chart(
            reliability(view.curve), alt="Share of vehicles that had a fault against the chance they were given"
        )
    st.dataframe(
        view.measures,
        hide_index=True,
        key="measures",
        alt="Measures of the forecast with intervals",
        column_config={
            "name": st.column_config.TextColumn("Measure"),
            "value": st.column_config.NumberColumn("Value", format="%.3f"),
            "low": st.column_config.NumberColumn("at least", format="%.3f"),
            "high": st.column_config.NumberColumn("at most", format="%.3f"),
            "reference": st.column_config.NumberColumn("Reference forecast", format="%.3f"),
            "meaning": st.column_config.TextColumn("What a good figure is", width="large"),
        },
    )
