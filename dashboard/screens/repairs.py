"""The part of the recurring page about repairs: verdicts, comebacks inside the warranty, how long work stands."""

from functools import partial

import polars as pl
import streamlit as st

from dashboard import files, published, suppliers
from dashboard.charts.findings import survival as survival_chart
from dashboard.palette import VERDICT
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.saving import download
from dashboard.views.repairs import comebacks, repairs
from dashboard.views.survival import SPLITS, splits_of, survival
from dashboard.views.wording import count, plain
from pipelines.recurring.warranty import WARRANTY_MONTHS


def repairs_part(frame: Frame) -> None:
    """Verdicts, comebacks, survival curves."""
    outcome = published.table("repair_outcome", frame.reader.as_of)
    verdicts = st.multiselect(
        "Outcome of repairs",
        list(VERDICT),
        key="verdict",
        bind="query-params",
        placeholder="all",
        format_func=lambda name: VERDICT[name].word,
    )
    view = repairs(outcome, verdicts=verdicts, names=published.names())
    st.subheader("Did the repairs hold?")
    if view.sentence:
        st.markdown(view.sentence)
    shared.basis(frame, "A verdict needs 40 ignition hours and four readings since the work, or a code set again.")
    if view.empty_reason:
        st.info(view.empty_reason)
    else:
        _verdicts(view.rows, frame)
    _comebacks(outcome, frame)
    _survival(frame)


def _verdicts(rows: pl.DataFrame, frame: Frame) -> None:
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="repairs",
        alt="Repairs with their outcome, newest first",
        column_config={
            "done_at": _day("Done", frame),
            "component": st.column_config.TextColumn("Component"),
            "verdict": st.column_config.TextColumn("Outcome"),
            "decided_at": _day("Can be judged from", frame),
            "checked_at": _day("Last read", frame),
            "evidence": st.column_config.TextColumn("What that rests on", width="large"),
        },
    )


def _day(label: str, frame: Frame) -> object:
    return st.column_config.DatetimeColumn(label, format="D MMM YYYY", timezone=frame.reader.zone.key)


def _comebacks(outcome: pl.DataFrame, frame: Frame) -> None:
    rows = comebacks(outcome, names=published.names(), miles=frame.reader.miles)
    records = suppliers.parts(frame.reader.as_of)
    if not rows.height and not records:
        return
    st.subheader("Came back inside the part's warranty")
    st.caption(
        f"Warranty is reckoned as {WARRANTY_MONTHS} months from fitting. Parts that were not at fault are left out."
    )
    if rows.height:
        _claims(rows, frame)
    if not records:
        return
    titles = {str(record["component"]): str(record["part"]) for record in records}
    part = st.selectbox("A page for the supplier of", list(titles), format_func=titles.__getitem__, key="supplier part")
    shared.supplier_button(next(record for record in records if record["component"] == part), frame)


def _claims(rows: pl.DataFrame, frame: Frame) -> None:
    unit = "miles" if frame.reader.miles else "km"
    shared.table(
        rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="comebacks",
        alt="Comebacks inside the part's warranty, newest first",
        column_config={
            "component": st.column_config.TextColumn("Part"),
            "part_number": st.column_config.TextColumn("Part number"),
            "part_batch": st.column_config.TextColumn("Batch"),
            "done_at": _day("Fitted", frame),
            "back_at": _day("Back", frame),
            "days": st.column_config.NumberColumn("Days"),
            "driven": st.column_config.NumberColumn(unit.capitalize(), format="localized"),
            "warranty_until": st.column_config.DateColumn("Warranty until", format="D MMM YYYY"),
            "evidence": st.column_config.TextColumn("What that rests on", width="large"),
        },
    )
    download(
        f"Download {plain(count(rows.height, 'comeback'))} as CSV",
        partial(files.as_csv, rows),
        "comebacks.csv",
        mime="text/csv",
    )


def _survival(frame: Frame) -> None:
    st.subheader("How long work stands")
    table = published.table("repair_survival", frame.reader.as_of)
    splits = splits_of(table)
    split = (
        st.segmented_control(
            "By", splits, default=splits[0], required=True, key="by", bind="query-params",
            format_func=lambda name: SPLITS[name].capitalize(),
        )
        if splits
        else ""
    )  # fmt: skip
    view = survival(table, split=split, names=published.names())
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    alt = "Share of work that stands, by days since it was done"
    drawn = published.kept("survival", frame.reader, split, build=lambda: survival_chart(view.curves, view.order))
    shared.chart(drawn, key="survival_curves", alt=alt)
    shared.table(
        view.rows,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="survival",
        alt="Share of work that stands after 90, 180 and 365 days",
        column_config={
            "name": st.column_config.TextColumn(SPLITS[split].capitalize(), width="medium"),
            "jobs": st.column_config.NumberColumn("Jobs"),
            "returned": st.column_config.NumberColumn("Came back"),
            "after_90": st.column_config.TextColumn("Stand after 90 days"),
            "after_180": st.column_config.TextColumn("after 180 days"),
            "after_365": st.column_config.TextColumn("after a year"),
        },
    )
