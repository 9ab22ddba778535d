"""The figures of the pages, read from Python: the folder of a store in, polars frames out; nothing is written.

    from pipelines import figures

    urgent = figures.table("fleet.store", "vehicle_state").filter(pl.col("urgency") == "this_week")
    worst = figures.query("fleet.store", "SELECT correction, min(leeway_pct) FROM correction_state GROUP BY correction")

Times are UTC. A store that is written meanwhile is read as it was before or after, whole.
"""

import os
from datetime import datetime

import polars as pl

from pipelines.catalogue.tables import DTYPES
from pipelines.errors import QueryError, SettingError
from pipelines.query.ask import USUAL, Limits, ask
from pipelines.query.tables import OF_THE_FLEET, described
from pipelines.store.fleet_reads import fleet_table
from pipelines.store.folder import Store
from pipelines.store.published import kept_as_ofs, read_published, vehicle_snapshots

Place = str | os.PathLike[str]


def states(store: Place) -> list[datetime]:
    """Times as of which the fleet was analysed and kept, oldest first; empty: not analysed yet.

    Raises:
        StoreError: there is no store there.
    """
    return kept_as_ofs(Store(store))


def columns() -> pl.DataFrame:
    """Every column that can be read: `table, column, type, unit, key, meaning`; unit 1: a share or a ratio."""
    return pl.DataFrame(
        [
            {
                "table": table.name, "column": column.name, "type": column.dtype, "unit": column.unit,
                "key": column.key, "meaning": column.meaning,
            }
            for table in described().values()
            for column in table.columns
        ]
    )  # fmt: skip


def table(store: Place, name: str, *, as_of: datetime | None = None) -> pl.DataFrame:
    """One table with the columns that `columns` lists, as `leeway export` gives it.

    Args:
        store: Folder of the store.
        name: A published table, or vehicles, corrections or components as they are known now.
        as_of: One of `states`; None: the newest of this table.

    Raises:
        SettingError: there is no table of this name.
        StoreError: it was never published, or not as of that time.
    """
    known = described().get(name)
    if known is None:
        raise SettingError(f"{name}: no table. Tables are: {', '.join(described())}.")
    if name in OF_THE_FLEET:
        return fleet_table(Store(store), name)
    rows = read_published(Store(store), name, as_of=as_of)
    lacking = [column for column in known.columns if column.name not in rows.columns]
    return rows.with_columns(pl.lit(None, DTYPES[column.dtype]).alias(column.name) for column in lacking).select(
        known.schema.names()
    )


def readings(store: Place, vehicle_id: str) -> pl.DataFrame:
    """All readings of one vehicle by time, as they came: what `snapshots` holds, one column a correction ever read.

    Raises:
        StoreError: there is no store there.
    """
    return vehicle_snapshots(Store(store), vehicle_id)


def query(store: Place, sql: str, *, as_of: datetime | None = None, limits: Limits = USUAL) -> pl.DataFrame:
    """What SQL on these tables gives; it runs as on the page, in a process without files, and with the same limits.

    Args:
        store: Folder of the store.
        sql: One SELECT; `all_states.TABLE` holds the rows of all states that are kept.
        as_of: The state that the tables show; None: the newest.
        limits: Of time (s), memory (bytes) and rows.

    Raises:
        QueryError: what is wrong with it, in one line; more rows than the limits let through is wrong here too.
        StoreError: there is no store, or it is damaged.
    """
    answer = ask(Store(store), sql, as_of=as_of, limits=limits)
    if answer.cut:
        raise QueryError(f"More than {answer.rows.height:,} rows. Ask for fewer, or give higher limits.")
    return answer.rows
