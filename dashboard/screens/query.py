"""SQL on the published tables, for questions that no page answers; it only reads."""

import streamlit as st

from dashboard import asked
from dashboard.charts.asked import two_columns
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.asking import Question, columns_of, examples, said_of, suited
from dashboard.views.wording import plain
from pipelines.query.ask import LONGEST, Answer


def show() -> None:
    """The page."""
    st.title("Ask in SQL")
    frame = shared.choose()
    if frame is None:
        shared.nothing_yet()
        return
    st.markdown("Ask what no page says: a query on the published tables. It only reads, and its address can be mailed.")
    shared.basis(frame, asked.LIMITS, "Times are UTC.")
    left, right = st.columns([3, 2])
    with right:
        _tables()
    with left:
        _examples()
        with st.form("query", border=False):
            sql = st.text_area(
                "Query", key="sql", bind="query-params", height=220, max_chars=LONGEST, placeholder="FROM vehicle_state"
            )
            st.form_submit_button("Ask", type="primary")
    if sql and sql.strip():
        _answer(sql, frame)


def _examples() -> None:
    """Questions in words; a click puts the query of one into the box and asks it."""
    st.caption("For example:")
    with st.container(gap="xxsmall"):
        for place, question in enumerate(examples()):
            st.button(question.asks, key=f"example {place}", type="tertiary", on_click=_put, args=(question,))


def _put(question: Question) -> None:
    st.session_state["sql"] = question.sql


def _tables() -> None:
    described = asked.described()
    name = st.selectbox("What can be asked", list(described), key="table", bind="query-params")
    key = ", ".join(described[name].key)
    shared.table(
        columns_of(described[name]),
        key="columns",
        hide_index=True,
        height=330,
        alt=f"Columns of {name} with their units and meanings",
        column_config={
            "column": st.column_config.TextColumn("Column", pinned=True),
            "type": st.column_config.TextColumn("Type"),
            "unit": st.column_config.TextColumn("Unit"),
            "meaning": st.column_config.TextColumn("Meaning", width="large"),
        },
    )
    st.caption(f"One row per {plain(key)}. The rows of all analyses that are kept: all\\_states.{plain(name)}")


def _answer(sql: str, frame: Frame) -> None:
    with st.spinner("Asking"):
        found = asked.asked(sql, frame.reader.as_of)
    if found.answer is None:
        st.error(plain(found.problem))
        return
    answer: Answer = found.answer
    said = said_of(answer.rows, cut=answer.cut, states=answer.states, reader=frame.reader)
    st.markdown(plain(" ".join(said)))
    columns = suited(answer.rows)
    if columns:
        shared.chart(
            two_columns(answer.rows, columns.across, columns.up, columns.mark),
            key="answer_chart",
            alt=f"{columns.up} by {columns.across}",
        )
    _rows(answer)


def _rows(answer: Answer) -> None:
    rows = answer.rows
    shared.table(
        rows,
        key="answer",
        hide_index=True,
        placeholder=shared.ABSENT,
        alt="What the query gave",
        lazy=rows.height > 1000,
    )


show()
