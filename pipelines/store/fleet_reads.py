"""Reads small tables of the whole fleet, and one correction of all vehicles, for screens; computes nothing."""

import polars as pl

from pipelines.catalogue.corrections import built_in_components, built_in_corrections, overridden
from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import frame_of, quoted
from pipelines.store.folder import Store
from pipelines.store.moves import moves
from pipelines.store.schema import columns_of

CATALOGUES = {"corrections": built_in_corrections, "components": built_in_components}


def fleet_table(store: Store, table: str) -> pl.DataFrame:
    """All rows of a small drop table as they are known now, sorted by key; a catalogue with the built-in rows.

    Args:
        store: Where from.
        table: A drop table other than snapshots and readings, for example vehicles.

    Raises:
        StoreError: there is no store.
    """
    shape = drop_tables()[table]
    columns = ", ".join(quoted(name) for name in shape.schema.names())
    with store.reading() as connection:
        rows = frame_of(connection, f"SELECT {columns} FROM {table}").cast(pl.Schema(shape.schema)).sort(shape.key)
    return overridden(CATALOGUES[table](), rows) if table in CATALOGUES else rows


def fleet_moves(store: Store) -> pl.DataFrame:
    """Rows of `MOVES` of all vehicles that had more than one depot.

    Raises:
        StoreError: there is no store.
    """
    with store.reading() as connection:
        return moves(connection, known_at=None)


def known_corrections(store: Store) -> pl.DataFrame:
    """The catalogue: built-in rows and the fleet's own; the built-in ones alone where there is no store yet."""
    return fleet_table(store, "corrections") if store.exists() else built_in_corrections()


def vehicles_without_family(store: Store) -> list[str]:
    """Vehicles that were read and that no row of `vehicles` names, in order.

    Raises:
        StoreError: there is no store.
    """
    with store.reading() as connection:
        rows = connection.execute(
            # One row per vehicle that was read and is not named.
            "SELECT DISTINCT vehicle_id "
            "FROM (SELECT vehicle_id FROM snapshots UNION ALL SELECT vehicle_id FROM readings)"
            " ANTI JOIN vehicles USING (vehicle_id) ORDER BY vehicle_id"
        ).fetchall()
    return [row[0] for row in rows]


def correction_of_fleet(store: Store, code: str) -> pl.DataFrame:
    """Every reading of one correction, by time: `vehicle_id, read_at, value, calibration`; none: no rows.

    Where a reading does not say its calibration, it is that of the vehicle's reading before. Vehicles are an
    Enum, which takes a third of the memory and of the time of text where there are a million readings.

    Raises:
        StoreError: there is no store.
    """
    parts = []
    with store.reading() as connection:
        known = pl.Enum(frame_of(connection, "SELECT vehicle_id FROM vehicles ORDER BY vehicle_id")["vehicle_id"])
        for table, calibration in (("snapshots", "calibration"), ("readings", "NULL::VARCHAR")):
            stored = {name.casefold(): name for name in columns_of(connection, table)}
            if code.casefold() in stored:
                value = quoted(stored[code.casefold()])
                # One row per reading of this correction.
                parts.append(
                    frame_of(
                        connection,
                        f"SELECT vehicle_id, read_at, {value}::DOUBLE AS value, {calibration} AS calibration "
                        f"FROM {table} SEMI JOIN vehicles USING (vehicle_id) WHERE {value} IS NOT NULL",
                    )
                )
    schema = pl.Schema(
        {
            "vehicle_id": known,
            "read_at": pl.Datetime("us", "UTC"),
            "value": pl.Float64(),
            "calibration": pl.String(),
        }
    )
    read = pl.concat(part.cast(schema) for part in parts) if parts else pl.DataFrame(schema=schema)
    if read.get_column("calibration").null_count():
        read = read.sort("vehicle_id", "read_at")
        return read.with_columns(pl.col("calibration").forward_fill().over("vehicle_id"))
    return read.sort("read_at")
