"""A store as somebody sees it who may see some depots alone: the same reads, over rows of those depots' vehicles.

Every table that a reader names is a view of rows that are allowed, so no query, page or link can name another's.
"""

import hashlib
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import duckdb

from pipelines.store.connection import quoted
from pipelines.store.folder import Store
from pipelines.store.readers import scoped_catalog

OWN = "own_vehicle"  # of the catalog of views: the vehicles that may be seen
# Rows of tables without a vehicle: shown by this condition; any other is shown whole.
BY_DEPOT = "depot IN (SELECT depot FROM own_depot)"
CONDITIONS = {
    "bays": BY_DEPOT,
    "bays_replaced": BY_DEPOT,
    "held_reading": BY_DEPOT,
    "recurring_issue": "coalesce(factor, '') <> 'depot' OR level IN (SELECT depot FROM own_depot)",
    "notes": "about = 'fleet' OR about IN (SELECT depot FROM own_depot UNION ALL SELECT vehicle_id FROM own_vehicle)",
    "quarantine": "false",  # nobody can tell whose a row is that broke the contract
    "proposals": "false",
}


class ScopedStore(Store):
    """A store read for some depots.

    Args:
        path: Its folder.
        depots: Names of those that may be seen, as the newest rows of `vehicles` have them.
    """

    def __init__(self, path: str | os.PathLike[str], depots: Iterable[str]) -> None:
        super().__init__(path)
        self.depots: tuple[str, ...] = tuple(sorted(set(depots)))

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection in which every table has the rows of these depots alone.

        Raises:
            StoreError: as of any store.
        """
        with super().reading() as connection:
            scope = hashlib.sha256("\n".join(self.depots).encode()).hexdigest()[:16]
            name = scoped_catalog(connection, scope, self._build)
            connection.execute(f"USE {quoted(name)}")
            yield connection

    def _build(self, connection: duckdb.DuckDBPyConnection, state: str, name: str) -> None:
        """Make the catalog of views over a state's tables."""
        scope, source = quoted(name), quoted(state)
        connection.execute(f"CREATE SCHEMA {scope}.published")
        connection.execute(
            f"CREATE TABLE {scope}.own_depot AS SELECT unnest(?::VARCHAR[]) AS depot", [list(self.depots)]
        )
        connection.execute(
            f"CREATE TABLE {scope}.{OWN} AS SELECT vehicle_id FROM {source}.vehicles "
            f"SEMI JOIN {scope}.own_depot USING (depot)"
        )
        columns = connection.execute(
            "SELECT schema_name, table_name, list(column_name ORDER BY column_index) FROM duckdb_columns() "
            "WHERE database_name = ? AND schema_name IN ('main', 'published') AND NOT internal "
            "AND column_name <> 'rowid' GROUP BY ALL ORDER BY ALL", [state],
        ).fetchall()  # fmt: skip
        for schema, table, names in columns:
            place = f"{quoted(schema)}.{quoted(table)}"
            where = _where(table, names, scope)
            listed = ", ".join(quoted(each) for each in ["rowid", *names])  # rowid: in which order they came
            rows = f"SELECT {listed} FROM {source}.{place} {where}"
            connection.execute(f"CREATE VIEW {scope}.{place} AS {rows}")


def store_seen_by(path: str | os.PathLike[str], depots: Iterable[str] | None) -> Store:
    """The store as somebody sees it who may see these depots; None: all of it.

    It is read on where it goes away meanwhile (`Store.reads_on`).
    """
    store = Store(path) if depots is None else ScopedStore(path, depots)
    store.reads_on = True
    return store


def _where(table: str, columns: list[str], scope: str) -> str:
    """The condition on a table's rows, as SQL."""
    if "vehicle_id" in columns:
        return f"WHERE vehicle_id IN (SELECT vehicle_id FROM {scope}.main.{OWN})"
    condition = CONDITIONS.get(table)
    if condition is None:
        return ""
    for own in ("own_depot", OWN):
        condition = condition.replace(f"FROM {own}", f"FROM {scope}.main.{own}")
    return f"WHERE {condition}"
