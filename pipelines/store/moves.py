"""Where each vehicle belonged and since when: rows of `vehicles`, replaced ones with them, in; moves out.

A row holds from its `depot_since` on, and what it took the place of before that. Without a date, one that names another
depot holds after the last reading that was loaded before it; where there was none, it holds throughout.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta

import duckdb
import polars as pl

from pipelines.handover import MOVES
from pipelines.store.connection import frame_of
from pipelines.store.history import KNOWN, STANDING
from pipelines.store.readers import once
from pipelines.store.schema import filled_tables

# One row per row of `vehicles` there ever was of a vehicle that had more than one depot; read_until: its last reading
# that was loaded before it, though a later load may have replaced it. In the order in which they were loaded.
ASKED = """
    WITH known AS (
        SELECT vehicle_id, depot, depot_since, load_id FROM vehicles WHERE load_id IN {loads}
        UNION ALL SELECT vehicle_id, depot, depot_since, load_id FROM vehicles_replaced WHERE load_id IN {loads}
    ), loaded AS (
        SELECT vehicle_id, read_at, load_id FROM snapshots UNION ALL
        SELECT vehicle_id, read_at, load_id FROM snapshots_replaced
    ), moved AS (SELECT vehicle_id FROM known GROUP BY vehicle_id HAVING count(DISTINCT depot) > 1)
    SELECT k.vehicle_id, k.depot, k.depot_since, k.load_id, max(s.read_at) AS read_until
    FROM known k SEMI JOIN moved USING (vehicle_id)
    LEFT JOIN loaded s ON s.vehicle_id = k.vehicle_id AND s.load_id < k.load_id AND s.load_id IN {loads}
    GROUP BY ALL ORDER BY k.vehicle_id, k.load_id
"""


def moves(connection: duckdb.DuckDBPyConnection, *, known_at: datetime | None) -> pl.DataFrame:
    """Rows of `MOVES` of all vehicles that had more than one depot, as far as was known then; None: now."""
    return once(connection, _moves_now) if known_at is None else _moves(connection, known_at)


def _moves_now(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return _moves(connection, None)


def _moves(connection: duckdb.DuckDBPyConnection, known_at: datetime | None) -> pl.DataFrame:
    if "vehicles_replaced" not in once(connection, filled_tables):  # the first row of each vehicle still stands
        return pl.DataFrame(schema=MOVES)
    asked = ASKED.format(loads=STANDING if known_at is None else KNOWN)
    parameters = {} if known_at is None else {"known_at": known_at}
    rows = frame_of(connection, asked, **parameters)
    found = [
        {"vehicle_id": name, "since": since, "depot": depot}
        for (name,), of_vehicle in rows.partition_by("vehicle_id", as_dict=True, maintain_order=True).items()
        for since, depot in timeline(list(of_vehicle.select("depot", "depot_since", "read_until").iter_rows()))
    ]
    return pl.DataFrame(found, schema=MOVES)


def timeline(rows: Sequence[tuple]) -> list[tuple[datetime | None, str | None]]:  # type: ignore[type-arg]
    """Depots and since when (None: ever) out of a vehicle's rows (depot, depot_since, last reading loaded before)."""
    found: list[tuple[datetime | None, str | None]] = []
    for depot, day, read_until in rows:
        since = None
        if day is not None:
            since = datetime.combine(day, time(), tzinfo=UTC)
        elif found and read_until is not None:
            since = read_until + timedelta(microseconds=1)
        if found and depot == found[-1][1]:
            continue
        found = [] if since is None else [entry for entry in found if entry[0] is None or entry[0] < since]
        found.append((since if found else None, depot))
    return found


def as_of_then(vehicles: pl.DataFrame, moved: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """Vehicles with the depot that each belonged to then."""
    if moved.is_empty():
        return vehicles
    held = moved.filter(pl.col("since").is_null() | (pl.col("since") <= as_of)).group_by("vehicle_id").last()
    theirs = vehicles.select("vehicle_id").join(held, on="vehicle_id", how="left", maintain_order="left")
    return vehicles.with_columns(depot=pl.coalesce(theirs["depot"], vehicles["depot"]))
