"""Publishes tables: all of an analysis in one committed state, beside the ones of earlier `as_of` that are kept."""

from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import chain

import duckdb
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.errors import StoreError
from pipelines.handover import Analysis
from pipelines.large_tables import Table, empty, in_slices
from pipelines.store.connection import quoted
from pipelines.store.folder import Store
from pipelines.store.schema import columns_of

KEPT = 12  # how many as_of of a contract table are kept, if nothing is set: the one published last, and the newest
EXTRAS_KEPT = 2  # the same for tables beyond the contract, which are large and only explain the newest ones


def publish(store: Store, analysis: Analysis, *, kept: int = KEPT) -> None:
    """Publish every table of an analysis at once.

    Args:
        store: Where.
        analysis: The tables, and the time they are as of.
        kept: How many as_of of a contract table are kept.

    Raises:
        StoreError: the store is locked or full, or a frame lacks a column of the contract.
    """
    who = f"publish the analysis as of {analysis.as_of:%Y-%m-%d}"
    _publish(store, analysis.tables, analysis.as_of, who=who, most=kept)


def publish_table(store: Store, name: str, frame: pl.DataFrame, as_of: datetime) -> None:
    """Publish one table, by itself."""
    publish_tables(store, {name: frame}, as_of)


def publish_tables(store: Store, tables: Mapping[str, Table], as_of: datetime, *, kept: int = KEPT) -> None:
    """Publish some tables at once, all as of the same time; see `publish`."""
    _publish(store, tables, as_of, who=f"publish {', '.join(tables)}", most=kept)


def publish_states(store: Store, correction_state: pl.DataFrame, as_of: datetime) -> None:
    """Publish `correction_state` alone, beside those of whole analyses, until the next one that is published."""
    _publish(store, {"correction_state": correction_state}, as_of, who="publish correction_state", room=1)


def forget(store: Store, as_of: datetime) -> list[str]:
    """Take away everything that was published as of a time, given to the second.

    Returns:
        Names of the tables that had it.

    Raises:
        StoreError: nothing is published as of that time, or the store is locked or full.
    """
    with store.writing(f"forget what was published as of {as_of:%Y-%m-%d}", wait_s=60.0) as connection:
        published = connection.execute("SELECT table_name, as_of FROM publications ORDER BY ALL").fetchall()
        meant = [
            (name, time) for name, time in published if time.replace(microsecond=0) == as_of.replace(microsecond=0)
        ]
        if not meant:
            kept = ", ".join(f"{time:%Y-%m-%dT%H:%M:%SZ}" for time in sorted({time for _, time in published}))
            raise StoreError(
                f"{store.path}: nothing is published as of {as_of:%Y-%m-%dT%H:%M:%SZ}. "
                + (f"Kept are: {kept}." if kept else "Nothing is published at all.")
            )
        for name, time in meant:
            _forget(connection, name, time)
    return [name for name, _ in meant]


def _publish(
    store: Store, tables: Mapping[str, Table], as_of: datetime, *, who: str, most: int = KEPT, room: int = 0
) -> None:
    """`most`: how many of a contract table are kept; `room`: how many more of each table than that."""
    for name, table in tables.items():
        _in_contract_form(name, empty(table))  # refused before the store is waited for
    with store.writing(who, wait_s=60.0) as connection:
        published_at = datetime.now(UTC)
        if "correction_state" in tables:
            _withdraw_states(connection)
        for name, table in tables.items():
            kept = most if name in published_tables() else EXTRAS_KEPT
            _replace(connection, name, table, as_of, published_at, kept=kept + room)


def _withdraw_states(connection: duckdb.DuckDBPyConnection) -> None:
    """Forget the `correction_state` that was published alone."""
    alone = connection.execute(
        "SELECT as_of FROM publications WHERE table_name = 'correction_state' AND as_of NOT IN "
        "(SELECT as_of FROM publications WHERE table_name = 'vehicle_state')"
    ).fetchall()
    for (as_of,) in alone:
        _forget(connection, "correction_state", as_of)


def _forget(connection: duckdb.DuckDBPyConnection, name: str, as_of: datetime) -> None:
    connection.execute(f"DELETE FROM published.{quoted(name)} WHERE as_of = ?", [as_of])
    connection.execute("DELETE FROM publications WHERE table_name = ? AND as_of = ?", [name, as_of])


def _in_contract_form(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    frame = frame.drop("as_of", strict=False).with_columns(pl.col(pl.Categorical, pl.Enum).cast(pl.String))
    table = published_tables().get(name)
    if table is None:
        return frame
    if lacking := [column for column in table.schema.names() if column not in frame.columns]:
        raise StoreError(f"{name}: lacks {', '.join(lacking)}; nothing was published.")
    others = [column for column in frame.columns if column not in table.schema.names()]
    return frame.select(*table.schema.names(), *others).cast(table.schema)


def _replace(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    table: Table,
    as_of: datetime,
    published_at: datetime,
    *,
    kept: int,
) -> None:
    target, slices = f"published.{quoted(name)}", iter(in_slices(table))
    first = _in_contract_form(name, next(slices))
    connection.register("frame", first)
    have = columns_of(connection, name, "published")
    came = {row[0]: row[1] for row in connection.execute("DESCRIBE SELECT * FROM frame").fetchall()}
    if have and any(have.get(column, kind) != kind for column, kind in came.items()):
        connection.execute(f"DROP TABLE {target}")
        connection.execute("DELETE FROM publications WHERE table_name = ?", [name])
        have = {}
    if not have:
        connection.execute(f"CREATE TABLE {target} AS SELECT NULL::TIMESTAMPTZ AS as_of, * FROM frame LIMIT 0")
    for column in [column for column in came if have and column not in have]:
        connection.execute(f"ALTER TABLE {target} ADD COLUMN {quoted(column)} {came[column]}")
    gone = connection.execute(
        "SELECT as_of FROM publications WHERE table_name = $name AND as_of <> $as_of ORDER BY as_of DESC OFFSET $kept",
        {"name": name, "as_of": as_of, "kept": kept - 1},
    ).fetchall()
    for old in [as_of, *(row[0] for row in gone)]:
        _forget(connection, name, old)
    for frame in chain([first], (_in_contract_form(name, rows) for rows in slices)):
        connection.register("frame", frame)
        connection.execute(f"INSERT INTO {target} BY NAME SELECT ?::TIMESTAMPTZ AS as_of, * FROM frame", [as_of])
        connection.unregister("frame")
    connection.execute("INSERT INTO publications VALUES (?, ?, ?, ?)", [name, as_of, published_at, table.height])
