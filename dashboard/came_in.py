"""What came in, as the store knows it: files, rows in quarantine, unusual values, units to decide on."""

import polars as pl

from dashboard.published import kept_frame, store
from pipelines.store import published as stored
from pipelines.store.quarantine_export import as_they_came


def load_reports() -> pl.DataFrame:
    """One row a file that was handed over, newest first."""
    return kept_frame("loads", build=lambda: stored.load_reports(store()))


def quarantined() -> pl.DataFrame:
    """Rows that stand in quarantine."""
    return kept_frame("quarantined", build=lambda: stored.quarantined(store()))


def flagged() -> pl.DataFrame:
    """Values that loaded although they are unusual, newest load first."""
    return kept_frame("flagged", build=lambda: stored.flagged(store()))


def proposed() -> pl.DataFrame:
    """Units that may be others than they were taken for, one line each."""
    return kept_frame("proposed", build=lambda: stored.proposed(store()))


def rows_to_mend() -> dict[str, pl.DataFrame]:
    """Rows in quarantine as they came, by the name of the file to mend."""
    return as_they_came(quarantined())
