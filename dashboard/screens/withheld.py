"""What is withheld until decided, on the page of what came in: each batch with its chart and the answers."""

import polars as pl
import streamlit as st

from dashboard import entered, published
from dashboard.charts.withheld import beside_history
from dashboard.screens import frame as shared
from dashboard.views.withheld import Batch, Decision, batches, headline, left_out_alone
from dashboard.views.wording import plain

MOST = 20  # batches with a chart each; the rest waits below them


def withheld() -> None:
    """The part of the page."""
    as_ofs = published.kept_as_ofs()
    if not as_ofs or not published.was_published("held_reading", as_ofs[0]):
        return
    reader = shared.reader_at(as_ofs[0])
    table = published.table("held_reading", as_ofs[0])
    known = entered.now()
    found = batches(table, published.table("held_history", as_ofs[0]), known.counts, published.names(), reader)
    st.subheader("What is withheld until decided")
    st.markdown(plain(headline(found, table)))
    if said := st.session_state.pop("withheld: said", ""):
        st.success(said)
    _left_out(table)
    if not found:
        return
    name = shared.your_name("withheld")
    for batch in found[:MOST]:
        _batch(batch, name)
    if len(found) > MOST:
        st.markdown(f"{len(found) - MOST} more; they come up as these are decided.")


def _left_out(table: pl.DataFrame) -> None:
    alone = left_out_alone(table)
    if not alone.height:
        return
    with st.expander("Single misread values, left out"):
        shared.table(
            alone,
            hide_index=True,
            key="misread",
            alt="Single misread values that were left out, by file and depot",
            column_config={
                "drop": st.column_config.TextColumn("Drop"),
                "file": st.column_config.TextColumn("File", width="medium"),
                "depot": st.column_config.TextColumn("Depot"),
                "vehicles": st.column_config.NumberColumn("Vehicles"),
                "readings": st.column_config.NumberColumn("Readings"),
                "vehicle_ids": st.column_config.TextColumn("Which", width="medium"),
            },
        )


def _batch(batch: Batch, name: str) -> None:
    with st.container(border=True):
        st.markdown(plain(batch.sentence))
        st.markdown(plain(f"{batch.decided or batch.doubt}"))
        if batch.history.height:
            shared.chart(
                published.kept(
                    "beside history",
                    batch.batch_id,
                    batch.history.hash_rows().sum(),  # an older state may show less of it
                    build=lambda: beside_history(batch.history, batch.column),
                ),
                key=f"held {batch.batch_id}",
                alt=f"{batch.column}: readings before and after, as they came and as converted",
            )
        if batch.decided:
            _button("Take back", "back", batch, "", name)
            return
        with st.container(horizontal=True):
            for answer, words in batch.answers.items():
                _button(words, answer, batch, answer, name)


def _button(words: str, what: str, batch: Batch, answer: str, name: str) -> None:
    form = f"{what} {batch.batch_id}"
    if st.button(words, key=form):
        _enter(form, Decision(batch=batch, answer=answer, name=name.strip(), client_key=entered.client_key(form)))


def _enter(form: str, decision: Decision) -> None:
    """Write the decision, or take it back; it counts in the next analysis."""
    if problem := entered.enter(form, decision):
        st.error(plain(problem))
        return
    st.session_state["withheld: said"] = "Written down. It counts in the next analysis: leeway analyse."
    st.rerun()
