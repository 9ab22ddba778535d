"""The catalogue of corrections: the built-in one, and a fleet's own merged over it, as frames; no store, no drop."""

from functools import cache
from importlib.resources import files

import polars as pl

from pipelines.catalogue.tables import drop_tables


@cache
def built_in_corrections() -> pl.DataFrame:
    """The built-in catalogue, one row per code, columns of the contract's table `corrections`."""
    return _built_in("corrections")


@cache
def built_in_components() -> pl.DataFrame:
    """The built-in components, one row per component, columns of the contract's table `components`."""
    return _built_in("components")


@cache
def code_titles() -> dict[str, str]:
    """What trouble codes are called (SAE J2012, in our words), by their five letters; a manufacturer's have none."""
    table = pl.read_csv(files("pipelines.catalogue").joinpath("code_titles.csv").read_bytes())
    return dict(table.select("code", "title").iter_rows())


def overridden(built_in: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    """The built-in rows and a fleet's own, which take the place of rows of the same key (the first column); by key."""
    key = built_in.columns[0]
    return pl.concat([built_in.join(own, on=key, how="anti"), own.select(built_in.columns)]).sort(key)


def _built_in(table: str) -> pl.DataFrame:
    schema = drop_tables()[table].schema
    return pl.read_csv(
        files("pipelines.catalogue").joinpath(f"{table}.csv").read_bytes(), schema_overrides=schema
    ).select(schema.names())
