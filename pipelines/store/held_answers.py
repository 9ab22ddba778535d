"""Answers given beforehand to batches of readings that are held, kept as settings of the store."""

import duckdb

from pipelines.errors import SettingError
from pipelines.held.slips import slips
from pipelines.store.folder import Store
from pipelines.store.schema import put_setting

NAME = "held "  # of such a setting, before what a batch looks like and where, which a tab separates
ANSWERS = ("convert", "keep", "leave_out")
ASK = "ask"  # takes an answer back


def answers_beforehand(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], str]:
    """What a batch looks like and its depot or reader -> answer."""
    rows = connection.execute("SELECT name, value FROM setting WHERE starts_with(name, ?)", [NAME]).fetchall()
    return {
        (looks_like, place): value
        for name, value in rows
        for looks_like, _, place in [name.removeprefix(NAME).partition("\t")]
        if value != ASK
    }


def answer_beforehand(store: Store, looks_like: str, place: str, answer: str) -> None:
    """Keep an answer for all batches of a depot or reader that look like a unit.

    Raises:
        SettingError: no batch can look so, or the answer is none.
        StoreError: the store is locked or full.
    """
    known = [slip.looks_like for slip in slips()]
    if looks_like not in known:
        raise SettingError(f"'{looks_like}' is nothing that readings can look like. Known are: {', '.join(known)}.")
    if answer not in (*ANSWERS, ASK):
        raise SettingError(f"'{answer}' is no answer. Say one of {', '.join((*ANSWERS, ASK))}.")
    with store.writing(f"answer beforehand to {looks_like}") as connection:
        put_setting(connection, f"{NAME}{looks_like}\t{place}", answer)
