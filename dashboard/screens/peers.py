"""Who is unlike its peers, in what, and where forest and distance disagree."""

import polars as pl
import streamlit as st

from dashboard import published
from dashboard.charts.peers import forest_against_distance
from dashboard.screens import frame as shared
from dashboard.views.joined import Choice, choices
from dashboard.views.peers import PeersView, peers
from dashboard.views.wording import plain


def show() -> None:
    """The page."""
    st.title("Unlike their peers")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    vehicles, as_of = published.vehicles(), frame.reader.as_of
    with st.container(horizontal=True):
        depots = shared.picked("Depot", choices(vehicles, "depot"), "depot")
        families = shared.picked("Engine family", choices(vehicles, "engine_family"), "family")
    choice = Choice(depot=depots, engine_family=families)
    share = published.setting("false_outlier_share", as_of)
    view = published.kept(
        "peers",
        as_of,
        choice,
        build=lambda: peers(published.peers_tables(as_of), choice=choice, false_outlier_share=share),
    )
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    st.markdown(f"## {plain(view.sentence)}")
    st.markdown(view.disagreement)
    shared.basis(frame, "Each vehicle is compared with healthy vehicle-weeks of its own engine family.")
    shared.chart(
        published.kept(
            "forest_distance",
            as_of,
            choice,
            build=lambda: forest_against_distance(view.rows, false_outlier_share=share),
        ),
        key="forest_distance",
        alt="Each vehicle by how rare it is: by the isolation forest across, by the robust distance up",
    )
    _table(view)


def _table(view: PeersView) -> None:
    rows = view.rows.select(
        "vehicle_id",
        "agreement",
        "reasons",
        "robust_distance",
        "engine_family",
        "depot",
        forest=100 * (1 - pl.col("outlier_score")),
        distance=100 * (1 - pl.col("distance_score")),
    )
    shared.table(
        shared.known_columns(rows),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="unlike",
        alt="Vehicles, most unlike their peers first",
        lazy=rows.height > 1000,
        column_order=[
            "vehicle_id", "agreement", "forest", "distance", "robust_distance", "reasons", "engine_family", "depot",
        ],
        column_config={
            "agreement": st.column_config.TextColumn("Called an outlier", width=160),
            "reasons": st.column_config.TextColumn("Set apart by (share of the forest's score)", width=460),
            "forest": shared.percent_column("As odd", "Share of healthy vehicle-weeks as odd, by the forest."),
            "distance": shared.percent_column("As far", "Share of healthy vehicle-weeks as far, by the distance."),
            "robust_distance": st.column_config.NumberColumn(
                "Distance", help="Robust Mahalanobis distance from the family's middle", format="%.1f"
            ),
            "engine_family": st.column_config.TextColumn("Engine family"),
            "depot": st.column_config.TextColumn("Depot"),
        },
    )  # fmt: skip


show()
