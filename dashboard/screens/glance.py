"""Parts of the vehicle's page: the chart of one correction, the same of another vehicle beside it, all at a glance."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import as_read, entered, one_vehicle, published
from dashboard.charts.correction_path import correction_path
from dashboard.charts.lanes import lanes as lanes_chart
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views import vehicle as views
from dashboard.views.judged import all_as_judged, as_judged
from dashboard.views.lanes import lanes
from dashboard.views.sentences import correction_sentence
from dashboard.views.wording import plain, unit_word

CLOSED_FROM = 2  # groups shown open; the others open at a click (judgement: a screen)


def states_of(vehicle_id: str, frame: Frame) -> pl.DataFrame:
    """The corrections of a vehicle with the catalogue's words, in the reader's degrees."""
    reader = frame.reader
    return published.kept(
        "states",
        reader,
        vehicle_id,
        build=lambda: views.states_of(vehicle_id, as_read.states_of(vehicle_id, reader), as_read.corrections(reader)),
    )


def path_chart(vehicle_id: str, row: dict[str, Any], events: pl.DataFrame, frame: Frame) -> pl.DataFrame | None:
    """Draw one correction in time, and give what was drawn; None where it was not read, which it says.

    Args:
        vehicle_id: The fleet number.
        row: Of `states_of` the vehicle.
        events: What happened to it.
        frame: Of the page.
    """
    as_of, correction = frame.reader.as_of, row["correction"]
    path = as_judged(as_read.path(vehicle_id, correction, frame.reader), row)
    if not path.get_column("value").count():
        st.info(f"{plain(row['title'])} was not read on this vehicle.")
        return None
    chart = published.kept(
        "path_chart",
        frame.reader,
        vehicle_id,
        correction,
        entered.now().newest,
        build=lambda: correction_path(
            path,
            row,
            events,
            as_of=as_of,
            unit=unit_word(row["unit"]),
            withheld=as_read.withheld(vehicle_id, correction, frame.reader),
        ),
    )
    shared.chart(
        chart,
        key=f"{correction} of {vehicle_id}",
        alt=f"{row['title']} of vehicle {vehicle_id} in time, with its expected value, normal band and limit",
    )
    return path


def beside_part(vehicle_id: str, correction: str, vehicle_state: pl.DataFrame, frame: Frame) -> None:
    """The same correction of another vehicle, picked by the reader, under the first one's chart."""
    others = vehicle_state.get_column("vehicle_id").sort().to_list()
    others.remove(vehicle_id)
    other = st.selectbox(
        "Beside another vehicle", others, index=None, key="beside", bind="query-params", placeholder="none",
        help="Draws the same correction of a second vehicle below, and says what it does there.",
    )  # fmt: skip
    if other is None:
        return
    states = states_of(other, frame)
    rows = states.filter(pl.col("correction") == correction).to_dicts()
    if not rows:
        st.info(f"Vehicle {plain(other)} does not have this correction.")
        return
    st.markdown(f"**Vehicle {plain(other)}.** {plain(correction_sentence(rows[0], frame.reader))}")
    path_chart(other, rows[0], one_vehicle.events(other, frame.reader.as_of), frame)


@st.fragment  # a group that is opened is drawn, not the page
def glance_part(vehicle_id: str, states: pl.DataFrame, frame: Frame) -> None:
    """All its corrections as small lines, by group; nothing where what was expected is no longer kept."""
    groups = published.kept(
        "lanes",
        frame.reader,
        vehicle_id,
        build=lambda: {
            name: lanes_chart(rows)
            for name, rows in lanes(
                all_as_judged(as_read.paths(vehicle_id, frame.reader), states), states, published.corrections()
            ).items()
        },
    )
    if not groups:
        return
    st.caption(
        "Smoothed level against what was expected, all to one measure: the pale lane is the normal band, "
        "an edge of a lane is three times as far."
    )
    left, right = st.columns(2)
    for place, (name, chart) in enumerate(groups.items()):
        group = (left, right)[place % 2].expander(
            name.capitalize(), expanded=place < CLOSED_FROM, key=f"lanes of {name}", on_change="rerun"
        )
        if not (group.open or shared.to_print()):
            continue
        with group:
            shared.chart(
                chart, key=f"group {name}", alt=f"Corrections of the group {name} in time, each beside its normal band"
            )
