"""Keeps the rows of one vehicle close together on disk, so that its history is a small read; changes no content.

Every load adds its rows sorted by vehicle. Many loads still scatter a vehicle over all row groups; once it lies in more
of them than a read can afford, the table is written anew, sorted, as a part of that load. The more a table holds, the
rarer that is: its tail must grow by as many row groups again.
"""

import duckdb

from pipelines.store.connection import one_row

ROW_GROUP = 122_880  # rows of a DuckDB row group, the unit that a read can skip
MOST_GROUPS = 8  # measured: at one million rows of 70 corrections, 8 groups cost about 10 ms more than one
SAMPLE = 9  # vehicles that are looked at


def gather_vehicles(connection: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Write the table anew, sorted by vehicle and time, if a vehicle lies in too many row groups; whether it was.

    Args:
        connection: Inside a transaction.
        table: `snapshots` or `readings`.
    """
    groups = one_row(
        connection,
        f"SELECT coalesce(avg(groups), 0) FROM (SELECT count(DISTINCT rowid // {ROW_GROUP}) AS groups FROM {table} "
        f"WHERE vehicle_id IN (SELECT vehicle_id FROM {table} USING SAMPLE reservoir({SAMPLE} ROWS) REPEATABLE (1)) "
        "GROUP BY vehicle_id)",
    )[0]
    if groups <= MOST_GROUPS:
        return False
    connection.execute(f"CREATE TABLE gathered AS SELECT * FROM {table} ORDER BY vehicle_id, read_at")
    connection.execute(f"DROP TABLE {table}")
    connection.execute(f"ALTER TABLE gathered RENAME TO {table}")
    return True
