"""What keeps coming back, and whether repairs held."""

import polars as pl
import streamlit as st

from dashboard import entered, published
from dashboard.charts.fleet import rate_ratios
from dashboard.charts.since_when import seen_since
from dashboard.palette import VERDICT
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.notes import notes_part
from dashboard.views.joined import choices
from dashboard.views.notes import About
from dashboard.views.recurring import RecurringView, issue_sentence, recurring
from dashboard.views.wording import plain


def show() -> None:
    """The page."""
    st.title("What keeps coming back")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    as_of = frame.reader.as_of
    verdicts = st.multiselect(
        "Outcome of repairs",
        list(VERDICT),
        key="verdict",
        bind="query-params",
        placeholder="all",
        format_func=lambda name: VERDICT[name].word,
    )
    view = recurring(
        published.table("recurring_issue", as_of),
        published.table("repair_outcome", as_of),
        verdicts=verdicts,
        names=published.names(),
    )
    st.markdown(f"#### {plain(view.sentence)}")
    shared.basis(frame, "Rates are first events in 100 vehicle-months; intervals are 95 %.")
    _issues(view, frame)
    _when(view, [About(), *(About(depot=depot) for depot in choices(published.vehicles(), "depot"))], frame)
    _repairs(view, frame)


def _issues(view: RecurringView, frame: Frame) -> None:
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    if view.issues["rate_ratio"].count():
        said = "How many times the rate of the rest of the fleet, with intervals"
        chart = published.kept("rate_ratios", frame.reader, build=lambda: rate_ratios(view.issues))
        shared.chart(chart, key="rate_ratios", alt=said)
    for row in view.issues.head(10).to_dicts():
        st.markdown(f"**{plain(row['title'])}**  \n{plain(issue_sentence(row, frame.reader))}")
    shared.table(
        view.issues.drop("issue_id", "label"),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="issues",
        alt="Findings, those that a workshop can act on first",
        column_config={
            "title": st.column_config.TextColumn("Finding", width="large"),
            "factor": st.column_config.TextColumn("Grouped by"),
            "level": st.column_config.TextColumn("Group"),
            "cause_or_correction": st.column_config.TextColumn("Cause or correction"),
            "vehicles": st.column_config.NumberColumn("Vehicles"),
            "rate": st.column_config.NumberColumn("In 100 vehicle-months", format="%.2f"),
            "fleet_rate": st.column_config.NumberColumn("Whole fleet", format="%.2f"),
            "rate_ratio": st.column_config.NumberColumn("Times", format="%.2f"),
            "low": st.column_config.NumberColumn("at least", format="%.2f"),
            "high": st.column_config.NumberColumn("at most", format="%.2f"),
            "q_value": st.column_config.NumberColumn("False discovery rate", format="%.3f"),
            "first_seen_at": st.column_config.DatetimeColumn(
                "First seen", format="D MMM YYYY", timezone=frame.reader.zone.key
            ),
            "nature": st.column_config.TextColumn("Kind"),
            "parts": st.column_config.TextColumn("With it", width="large"),
        },
    )


def _when(view: RecurringView, abouts: list[About], frame: Frame) -> None:
    """Findings on the time axis with the notes, and the form to write one."""
    as_of, about = frame.reader.as_of, [each.name for each in abouts]
    notes = entered.notes().filter(pl.col("about").is_in(about), pl.col("at") <= as_of)
    if view.issues["first_seen_at"].count() or notes.height:
        st.markdown("##### Since when, and what was noted")
        shared.chart(
            published.kept(
                "seen_since",
                frame.reader,
                entered.now().newest,
                build=lambda: seen_since(view.issues, notes, as_of),
            ),
            key="seen_since",
            alt="Findings from their first event on, and notes",
        )
    notes_part("recurring", abouts, frame)


def _repairs(view: RecurringView, frame: Frame) -> None:
    st.subheader("Did the repairs hold?")
    if view.repairs_sentence:
        st.markdown(view.repairs_sentence)
    if view.no_repairs_reason:
        st.info(view.no_repairs_reason)
        return
    shared.table(
        view.repairs,
        hide_index=True,
        placeholder=shared.ABSENT,
        key="repairs",
        alt="Repairs with their outcome, newest first",
        column_config={
            "done_at": st.column_config.DatetimeColumn("Done", format="D MMM YYYY", timezone=frame.reader.zone.key),
            "component": st.column_config.TextColumn("Component"),
            "verdict": st.column_config.TextColumn("Outcome"),
            "checked_at": st.column_config.DatetimeColumn(
                "Judged on", format="D MMM YYYY", timezone=frame.reader.zone.key
            ),
            "evidence": st.column_config.TextColumn("What that rests on", width="large"),
        },
    )


show()
