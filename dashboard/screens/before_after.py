"""Before and after: what a calibration, work, a move or new fuel did to one correction, against vehicles without."""

import polars as pl
import streamlit as st

from dashboard import as_read, entered, published
from dashboard.charts.before_after import lined_up
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.before_after import (
    KINDS,
    BeforeAfter,
    before_after,
    calibration_events,
    move_events,
    note_events,
    work_events,
)
from dashboard.views.joined import Choice, choices, distinct_titles
from dashboard.views.wording import plain, unit_word


def show() -> None:
    """The page."""
    st.title("Before and after")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    vehicles = published.vehicles()
    read = published.astray_by_correction(frame.reader.as_of)
    titles = distinct_titles(read.get_column("correction"), published.corrections())
    if not titles:
        st.info("No correction was read by this date.")
        return
    code = st.selectbox(
        "Correction", list(titles), key="correction", bind="query-params", format_func=lambda each: titles[each]
    )
    values = as_read.values(code, frame.reader)
    with st.container(horizontal=True):
        kind = st.segmented_control(
            "What happened", list(KINDS), default="calibration", required=True, key="kind", bind="query-params",
            format_func=lambda each: KINDS[each],
        )  # fmt: skip
        noted = entered.now().newest if kind == "note" else ""
        events = published.kept_few(
            "events of", frame.reader.as_of, kind, code, noted, build=lambda: _events(kind, values)
        )
        offered = events.get_column("what").value_counts(sort=True).sort("count", "what", descending=[True, False])
        whats = offered.get_column("what").to_list()
        what = st.selectbox("Which", whats, key="what", bind="query-params", placeholder="none on record")
        families = shared.picked("Engine family", choices(vehicles, "engine_family"), "family")
        depots = shared.picked("Depot", choices(vehicles, "depot"), "depot")
    if what is None:
        st.info("Nothing of that kind is on record for vehicles that read this correction.")
        return
    correction = as_read.correction(code, frame.reader)
    choice = Choice(depot=depots, engine_family=families)
    view = published.kept_few(
        "before after", frame.reader, code, kind, what, choice, noted,
        build=lambda: before_after(
            values, events.filter(pl.col("what") == what), correction=correction, vehicles=vehicles, choice=choice,
            reader=frame.reader,
        ),
    )  # fmt: skip
    _answer(view, frame, code, unit_word(correction["unit"]))


def _events(kind: str, values: pl.DataFrame) -> pl.DataFrame:
    if kind == "calibration":
        return calibration_events(values)
    if kind == "note":
        return note_events(entered.notes(), published.vehicles())
    return work_events(published.work(), published.names()) if kind == "work" else move_events(published.moves())


def _answer(view: BeforeAfter, frame: Frame, code: str, unit: str) -> None:
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(frame, view.basis)
    if not view.vehicles.height:
        return
    shared.chart(
        lined_up(view.weekly, unit=unit),
        key="before_after",
        alt="Change from each vehicle's own level before, less that of its peers, by weeks from the event",
    )
    in_unit = f" ({unit})" if unit else ""
    shared.table(
        view.vehicles,
        saved=as_read.to_save(view.vehicles, code, frame.reader, levels=("before", "after"), steps=("change",)),
        key="changed",
        hide_index=True,
        placeholder=shared.ABSENT,
        alt="Vehicles with the event, largest change first",
        column_config={
            "at": st.column_config.DatetimeColumn("When", format="D MMM YYYY"),
            "before": st.column_config.NumberColumn(f"Before{in_unit}", format="%.4g"),
            "after": st.column_config.NumberColumn(f"After{in_unit}", format="%.4g"),
            "change": st.column_config.NumberColumn(f"Change beyond its peers{in_unit}", format="%.3g"),
        },
    )


show()
