"""How the service runs: for whoever keeps it."""

from datetime import UTC, datetime

import polars as pl
import streamlit as st

from dashboard import running, signed_in
from dashboard.screens import frame as shared
from dashboard.views.runs import how_it_runs
from dashboard.views.wording import plain

NEWEST_ACTS = 500  # that the page shows; the file has all


def show() -> None:
    """The page."""
    st.title("How it runs")
    now, settings = datetime.now(UTC), running.what_is_set()
    reader = shared.reader_at(now)
    view = how_it_runs(running.stands(now), settings, reader, now=now)
    st.markdown(f"## {plain(view.sentence)}")
    for trouble in view.troubles:
        st.warning(plain(trouble))
    shared.table(view.facts, hide_index=True, key="facts", alt="What the service holds, and how old that is",
                 column_config={"what": st.column_config.TextColumn("What"),
                                "value": st.column_config.TextColumn("Now", width="large")})  # fmt: skip
    _jobs(view.jobs)
    _log(reader.zone.key)
    _settings(view.settings, settings.digest(), str(settings.file or ""))


def _jobs(jobs: pl.DataFrame) -> None:
    st.subheader("What looks after it")
    if jobs.is_empty():
        st.markdown("Nothing was done yet. One round, or a round every quarter of an hour:")
        st.code("leeway tend\nleeway tend --every 15", language="bash")
        return
    columns = {
        "job": st.column_config.TextColumn("Job"),
        "does": st.column_config.TextColumn("What it does"),
        "began": st.column_config.TextColumn("Newest run began", width="medium"),
        "took_s": st.column_config.NumberColumn("It took (s)", format="%.1f"),
        "ended": st.column_config.TextColumn("It ended"),
        "said": st.column_config.TextColumn("It said last", width="large"),
        "well": st.column_config.NumberColumn("Runs that ended well"),
        "failed": st.column_config.NumberColumn("That failed"),
    }
    shared.table(jobs, hide_index=True, key="jobs", alt="The newest run of each job", column_config=columns)


def _log(zone: str) -> None:
    st.subheader("Who did what")
    if not signed_in.asks_who():
        st.markdown("Nobody signs in here, so nothing is written down. leeway explain settings, section sign_in.")
        return
    log = running.log()
    columns = {
        "act_id": st.column_config.NumberColumn("Line"),
        "at": st.column_config.DatetimeColumn("When", format="D MMM YYYY, HH:mm:ss", timezone=zone),
        "name": st.column_config.TextColumn("Who"),
        "what": st.column_config.TextColumn("What"),
        "about": st.column_config.TextColumn("About", width="large"),
    }
    newest = log.drop("who").tail(NEWEST_ACTS).reverse()
    shared.table(newest, hide_index=True, key="log", alt="Who did what, newest first", column_config=columns)
    st.caption(f"The newest {newest.height} lines of {log.height}: leeway export act --to log.csv writes all.")


def _settings(rows: pl.DataFrame, digest: str, file: str) -> None:
    st.subheader("What is set")
    place = f"In {file}" if file else "No file of settings is there; all stand at their defaults"
    st.markdown(plain(f"{place}. Digest {digest}. leeway settings prints the file to change."))
    columns = {
        "section": st.column_config.TextColumn("Section"),
        "setting": st.column_config.TextColumn("Setting"),
        "value": st.column_config.TextColumn("Value"),
        "unit": st.column_config.TextColumn("Unit"),
        "from": st.column_config.TextColumn("From"),
        "meaning": st.column_config.TextColumn("What it means", width="large"),
    }
    shared.table(rows, hide_index=True, key="settings", alt="Every setting and what holds", column_config=columns)


show()
