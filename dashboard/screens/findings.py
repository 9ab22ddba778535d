"""The part of the recurring page about findings: each with what stands behind it, and the work on it."""

import polars as pl
import streamlit as st

from dashboard import entered, published, suppliers
from dashboard.charts.findings import finding_trend
from dashboard.charts.fleet import rate_ratios
from dashboard.charts.since_when import seen_since
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.notes import notes_part
from dashboard.views.findings import ANSWERS, FindingAnswer, closed_ids, work_on
from dashboard.views.joined import choices
from dashboard.views.notes import LONGEST_NAME, About
from dashboard.views.recurring import RecurringView, issue_sentence, not_drawn, recurring, watched
from dashboard.views.wording import plain
from pipelines.catalogue.tables import entry_columns

FORM = "finding"
LIMITS = entry_columns().text_limits
MOST_IN_FULL = 10  # findings said in full above the table of all


def findings_part(frame: Frame) -> None:
    """Findings, most useful first; one of them with its vehicles, trend and form; what is still new; the time axis."""
    as_of, known = frame.reader.as_of, entered.now()
    shut = closed_ids(known.counts)
    view = recurring(published.table("recurring_issue", as_of), names=published.names(), closed=shut)
    st.markdown(f"## {plain(view.sentence)}")
    shared.basis(frame, "Rates are first events in 100 vehicle-months, or in 100 jobs; intervals are 95 %.")
    said = work_on(known.counts, known.people, frame.reader)
    _issues(view, said, frame)
    if view.issues.height:
        _one(view, said, frame)
    _still_new(frame)
    _closed(view, said, frame)
    _when(view, [About(), *(About(depot=depot) for depot in choices(published.vehicles(), "depot"))], frame)


def _issues(view: RecurringView, said: dict[str, str], frame: Frame) -> None:
    if view.empty_reason:
        st.info(view.empty_reason)
        return
    if view.issues["rate_ratio"].count():
        alt = "How many times the rate of the rest of the fleet, with intervals"
        newest = entered.now().newest  # what was closed since leaves the chart
        drawn = published.kept("rate_ratios", frame.reader, newest, build=lambda: rate_ratios(view.issues))
        shared.chart(drawn, key="rate_ratios", alt=alt)
        if left := not_drawn(view.issues):
            st.caption(left)
    for row in view.issues.head(MOST_IN_FULL).to_dicts():
        work = f"  \n{plain(said[row['issue_id']])}" if row["issue_id"] in said else ""
        st.markdown(f"**{plain(row['title'])}**  \n{plain(issue_sentence(row, frame.reader))}{work}")
    with st.expander("As a table"):
        _table(view.issues, frame)


def _table(issues: pl.DataFrame, frame: Frame) -> None:
    shared.table(
        shared.known_columns(issues.drop("issue_id", "label")),
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
            "events": st.column_config.NumberColumn("Events"),
            "rate": st.column_config.NumberColumn("In 100", format="%.2f"),
            "per": st.column_config.TextColumn("of these"),
            "fleet_rate": st.column_config.NumberColumn("Whole fleet", format="%.2f"),
            "rate_ratio": st.column_config.NumberColumn("Times", format="%.2f"),
            "low": st.column_config.NumberColumn("at least", format="%.2f"),
            "high": st.column_config.NumberColumn("at most", format="%.2f"),
            "q_value": st.column_config.NumberColumn("False discovery rate", format="%.3f"),
            "first_seen_at": _day("First seen", frame),
            "back_since": _day("Closed before on", frame),
            "nature": st.column_config.TextColumn("Kind"),
            "parts": st.column_config.TextColumn("With it", width="large"),
        },
    )


def _day(label: str, frame: Frame) -> object:
    return st.column_config.DatetimeColumn(label, format="D MMM YYYY", timezone=frame.reader.zone.key)


def _one(view: RecurringView, said: dict[str, str], frame: Frame) -> None:
    """One finding: month by month, its vehicles, the page for the supplier, and the form to work on it."""
    st.subheader("Look into one")
    titles = dict(view.issues.select("issue_id", "title").iter_rows())
    issue = st.selectbox(
        "Finding", list(titles), format_func=titles.__getitem__, key="finding", label_visibility="collapsed"
    )
    row = view.issues.filter(pl.col("issue_id") == issue).row(0, named=True)
    if issue in said:
        st.markdown(plain(said[issue]))
    months = _behind("finding_month", issue, frame)
    if months.height:
        said_of = "Events of each month beside what the others would have had"
        drawn = published.kept("finding_trend", frame.reader, issue, build=lambda: finding_trend(months))
        shared.chart(drawn, key="finding_trend", alt=said_of)
        st.caption("Bars: what came in each month; dashed: what the rest of the fleet would have had there.")
    _vehicles(issue, frame)
    _supplier(row, frame)
    depot = row["factor"] == "depot" and row["level"] in choices(published.vehicles(), "depot")
    _form(issue, row["level"] if depot else "", frame)


def _behind(name: str, issue: str, frame: Frame) -> pl.DataFrame:
    rows = published.table(name, frame.reader.as_of)
    return rows.filter(pl.col("issue_id") == issue).drop("issue_id") if rows.width else rows


def _vehicles(issue: str, frame: Frame) -> None:
    rows = _behind("finding_vehicle", issue, frame)
    if not rows.height:
        st.caption("It is what the vehicles of a place share; no vehicle of it stands out.")
        return
    shared.table(
        rows.sort("at", "vehicle_id", descending=[True, False]),
        hide_index=True,
        placeholder=shared.ABSENT,
        key="vehicles_behind",
        alt="Vehicles behind the finding, newest event first",
        height="content" if rows.height <= MOST_IN_FULL else 320,
        column_config={
            "at": _day("When", frame),
            "what": st.column_config.TextColumn("What", width="large"),
        },
    )


def _supplier(row: dict[str, object], frame: Frame) -> None:
    records = {str(each["component"]): each for each in suppliers.parts(frame.reader.as_of)}
    about = next((each for each in records.values() if row["title"] in each["findings"]), None)
    if about is not None:
        shared.supplier_button(about, frame)


def _form(issue: str, depot: str, frame: Frame) -> None:
    known = entered.now()
    if known.problem:
        st.warning(plain(known.problem))
        return
    if not frame.newest:
        return
    if told := st.session_state.pop(f"{FORM}: said", ""):
        st.success(told)
    key = entered.client_key(FORM)
    with st.form(FORM, border=False):
        with st.container(horizontal=True):
            value = st.selectbox("Work on it", list(ANSWERS), format_func=ANSWERS.__getitem__, key=f"{FORM}: value")
            to = st.text_input("Who looks after it", max_chars=LONGEST_NAME, key=f"{FORM}: to {key}")
            name = shared.your_name(FORM)
        text = st.text_input("Note, or why it is closed", max_chars=LIMITS["value"], key=f"{FORM}: text {key}")
        if not st.form_submit_button("Enter it"):
            return
    answer = FindingAnswer(
        issue_id=issue, depot=depot, value=value, to=to, text=text, name=name, client_key=key,
        reader=frame.reader,
    )  # fmt: skip
    if problem := entered.enter(FORM, answer):
        st.error(plain(problem))
        return
    st.session_state[f"{FORM}: said"] = "Entered. It stands beside the finding now."
    st.rerun()


def _still_new(frame: Frame) -> None:
    view = watched(published.table("rollout_watch", frame.reader.as_of), published.names())
    if not view.height:
        return
    with st.expander(f"Still new, and watched event by event ({view.height})"):
        st.caption(
            "Calibrations and part batches that came within a year, beside all others of their family or part. A watch "
            "warns when what came is clear; among all watches a false warning comes once in twenty."
        )
        shared.table(
            view,
            hide_index=True,
            placeholder=shared.ABSENT,
            key="still_new",
            alt="What is new and watched, nearest to a warning first",
            column_config={
                "what": st.column_config.TextColumn("What came", width="medium"),
                "level": st.column_config.TextColumn("New"),
                "of": st.column_config.TextColumn("Of"),
                "vehicles": st.column_config.NumberColumn("Vehicles with it"),
                "events": st.column_config.NumberColumn("Came"),
                "expected": st.column_config.NumberColumn("Usual", format="%.1f"),
                "state": st.column_config.TextColumn("Watch"),
                "began_at": _day("Since", frame),
            },
        )


def _closed(view: RecurringView, said: dict[str, str], frame: Frame) -> None:
    """Findings that people closed: those of before the analysis, which it left out, and those of since."""
    before = published.table("finding_closed", frame.reader.as_of)
    rows = [(row["title"], said.get(row["issue_id"], "")) for row in view.closed.iter_rows(named=True)]
    if before.width:
        rows += [
            (row["title"], said.get(row["issue_id"]) or f"Closed on {frame.reader.day(row['closed_at'])}: {row['why']}")
            for row in before.iter_rows(named=True)
            if row["issue_id"] not in view.closed["issue_id"].to_list()
        ]
    if rows:
        with st.expander(f"Closed ({len(rows)})"):
            for title, work in rows:
                st.markdown(f"**{plain(title)}**  \n{plain(work)}")


def _when(view: RecurringView, abouts: list[About], frame: Frame) -> None:
    """Findings on the time axis with the notes, and the form to write one."""
    as_of, about = frame.reader.as_of, [each.name for each in abouts]
    notes = entered.notes().filter(pl.col("about").is_in(about), pl.col("at") <= as_of)
    if view.issues["first_seen_at"].count() or notes.height:
        st.markdown("### Since when, and what was noted")
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
