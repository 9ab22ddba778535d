"""The catalogue of corrections as a store knows it: the built-in one, and the fleet's own rows in place of it."""

import duckdb
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections, overridden
from pipelines.store.connection import frame_of


def catalogue_of(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One row per correction, by code."""
    return overridden(built_in_corrections(), frame_of(connection, "SELECT * EXCLUDE (load_id) FROM corrections"))
