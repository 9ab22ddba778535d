"""Which entries count at a time: withdrawn ones do not, later ones do not unless they say what a reading was."""

from collections.abc import Iterable
from datetime import datetime

import polars as pl

TIMELESS = ("held",)  # kinds that count in an analysis of an earlier time too


def withdrawn_ids(withdrawals: Iterable[tuple[str, str]]) -> set[str]:
    """Entries that no longer count, out of pairs of a withdrawal's entry_id and the one that it withdraws.

    A withdrawal can be withdrawn itself, and then what it withdrew counts again.
    """
    withdrawn: set[str] = set()
    for entry_id, target in sorted(withdrawals, reverse=True):  # whatever withdraws an entry is newer than it
        if entry_id not in withdrawn:
            withdrawn.add(target)
    return withdrawn


def counting(entries: pl.DataFrame, *, as_of: datetime | None = None, known_at: datetime | None = None) -> pl.DataFrame:
    """The entries that count at a time, oldest first; those that say nothing but a withdrawal are left out.

    Args:
        entries: All of the record.
        as_of: Entries of later are not looked at, decisions on held readings and withdrawals excepted; None: all are.
        known_at: Entries of later are not looked at, those neither; None: all are.
    """
    if entries.is_empty():
        return entries
    if known_at is not None:
        entries = entries.filter(pl.col("entered_at") <= known_at)
    withdrawals = entries.filter(pl.col("withdraws").is_not_null())
    withdrawn = withdrawn_ids(withdrawals.select("entry_id", "withdraws").iter_rows())
    only_withdraws = pl.col("withdraws").is_not_null() & pl.col("value").is_null() & pl.col("detail").is_null()
    standing = entries.filter(~pl.col("entry_id").is_in(withdrawn), ~only_withdraws)
    if as_of is not None:
        standing = standing.filter((pl.col("entered_at") <= as_of) | pl.col("kind").is_in(TIMELESS))
    return standing.sort("entry_id")


def newest_of_each(entries: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Of entries that count, the newest of each group."""
    return entries.sort("entry_id").unique(list(by), keep="last", maintain_order=True)
