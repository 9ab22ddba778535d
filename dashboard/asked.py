"""Alone in asking the store by SQL, for screens; the newest answers are kept by the store's version."""

from dataclasses import dataclass
from datetime import datetime

import streamlit as st

from dashboard import published, signed_in
from pipelines.catalogue.tables import Table
from pipelines.errors import QueryError
from pipelines.query import tables
from pipelines.query.ask import USUAL, Answer, BusyError, ask

ASKED = "the query that was written down last"  # in the session
KEPT = 6  # answers; the largest are 32 MB
LIMITS = (
    f"A query may take {USUAL.seconds:g} seconds and {USUAL.memory_bytes / 2**30:g} GB of memory, "
    f"and gives {USUAL.rows:,} rows at most."
)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What came of a query: an answer, or what is wrong with it, in one line."""

    answer: Answer | None = None
    problem: str = ""


def asked(sql: str, as_of: datetime) -> Asked:
    """What a query gives of the state of that time."""
    signed_in.must("query")
    if st.session_state.get(ASKED) != sql:  # a page runs again at every click
        signed_in.did("asked", sql)
        st.session_state[ASKED] = sql
    store = published.store()
    try:
        found: Asked = _kept((str(store.path), store.depots, store.version()), sql, as_of)
    except BusyError as error:
        return Asked(problem=str(error))
    return found


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _kept(store: tuple[object, ...], sql: str, as_of: datetime) -> Asked:  # noqa: ARG001 - the store is hashed, not read
    try:
        return Asked(answer=ask(published.store(), sql, as_of=as_of))
    except BusyError:
        raise
    except QueryError as error:
        return Asked(problem=str(error))


def described() -> dict[str, Table]:
    """Every table that can be asked, with its columns, by name."""
    return dict(tables.described())
