"""The catalogue of corrections as a store knows it: the built-in one, and the fleet's own rows in place of it."""

import duckdb
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections, overridden, unusable
from pipelines.catalogue.names import printable
from pipelines.store.connection import frame_of


def catalogue_of(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One row per correction, by code."""
    return overridden(built_in_corrections(), frame_of(connection, "SELECT * EXCLUDE (load_id) FROM corrections"))


def left_out(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Rows of the fleet's own catalogue that are not used, since their names cannot be: a line each, what to do."""
    own = frame_of(connection, "SELECT * FROM corrections ORDER BY code")
    told = unusable(built_in_corrections(), own).join(own, left_on="name", right_on="code").sort("name")
    return [
        f"corrections, {printable(name)}: {reason}; the row is left out. "
        f"Take its load back (leeway store withdraw {load}) and load it under another name."
        for name, reason, load in told.select("name", "reason", "load_id").iter_rows()
    ]
