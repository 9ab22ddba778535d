"""How far to trust the forecast."""

import streamlit as st

from dashboard import published
from dashboard.charts.fleet import faults_by_date, reliability
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.confirmed import named_and_found
from dashboard.views.trust import HOW_TO_CHECK, TrustView, trust
from dashboard.views.wording import Reader, plain


def show() -> None:
    """The page."""
    st.title("How far to trust it")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    _confirmed(frame)
    horizon = st.segmented_control(
        "A fault within",
        [7, 30, 90],
        default=30,
        required=True,
        key="horizon",
        bind="query-params",
        format_func=lambda days: f"{days} days",
    )
    view = trust(
        published.newest_table("forecast_check"),
        published.newest_table("forecast_curve"),
        published.newest_table("forecast_watch"),
        horizon_days=horizon,
        reader=frame.reader,
    )
    if view.empty_reason:
        st.info(view.empty_reason)
        st.code(HOW_TO_CHECK, language="bash")
        return
    for place, said in enumerate(view.sentences):
        st.markdown(f"## {said}" if place == 0 else said)
    shared.basis(frame, "Each past date was analysed as of then. Intervals hold nine times in ten.")
    shown = (frame.reader, horizon)
    _curve(view, shown)
    _dates(view, shown)
    _measures(view)


def _confirmed(frame: Frame) -> None:
    """How often a cause that was named was found, where somebody looked and said what it was."""
    view = named_and_found(
        published.table("cause_confirmed", frame.reader.as_of),
        published.names(),
    )
    with st.expander(view.title, expanded=False):
        st.markdown(plain(view.sentence))
        if view.rows.height:
            shared.table(
                view.rows,
                hide_index=True,
                key="named and found",
                placeholder=shared.ABSENT,
                alt="Causes that were named and found, with intervals",
                column_config={
                    "cause": st.column_config.TextColumn("Cause", width="large"),
                    "cases": st.column_config.NumberColumn("Confirmed cases", help="that stand behind a ranking"),
                    "looked_into": st.column_config.NumberColumn("Named and looked into"),
                    "confirmed": st.column_config.NumberColumn("It was so"),
                    "share": shared.percent_column("Share"),
                    "low": shared.percent_column("at least"),
                    "high": shared.percent_column("at most"),
                    "spread": st.column_config.NumberColumn(
                        "Engines differ", format="%.2f", help="1: as the knowledge says; 2: twice as much"
                    ),
                },
            )


def _curve(view: TrustView, shown: tuple[Reader, int]) -> None:
    if not view.curve.height:
        return
    st.subheader("Did it come as said?")
    left, right = st.columns([2, 3])
    with left:
        st.markdown("\n".join(f"- {said}" for said in view.curve_sentences))
    with right:
        shared.chart(
            published.kept("reliability", *shown, build=lambda: reliability(view.curve)),
            key="reliability",
            alt="Share of vehicles that had a fault against the chance they were given",
        )


def _dates(view: TrustView, shown: tuple[Reader, int]) -> None:
    if not view.watch.height:
        return
    st.subheader("Does it still hold?")
    st.markdown(view.watch_sentence)
    shared.chart(
        published.kept("faults_by_date", *shown, build=lambda: faults_by_date(view.watch)),
        key="faults_by_date",
        alt="Faults that came and faults forecast at each past date",
    )


def _measures(view: TrustView) -> None:
    st.subheader("All measures")
    shared.table(
        view.measures,
        hide_index=True,
        key="measures",
        placeholder=shared.ABSENT,
        alt="Measures of the forecast with intervals",
        column_config={
            "name": st.column_config.TextColumn("Measure", width=310),
            "value": st.column_config.NumberColumn("Value", format="%.3g"),
            "low": st.column_config.NumberColumn("at least", format="%.3g"),
            "high": st.column_config.NumberColumn("at most", format="%.3g"),
            "reference": st.column_config.NumberColumn("Leeway alone", format="%.3g"),
            "meaning": st.column_config.TextColumn("What a good figure is", width="large"),
        },
    )


show()
