"""Reads what screens and exports show: published tables, load reports, quarantine, one vehicle's snapshots."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType

import polars as pl

from pipelines.catalogue.checks import waits_for
from pipelines.catalogue.tables import published_tables
from pipelines.errors import StoreError
from pipelines.store.connection import frame_of, one_row, quoted
from pipelines.store.evidence import snapshots_of
from pipelines.store.folder import Store
from pipelines.store.schema import columns_of


def read_published(
    store: Store,
    table: str,
    *,
    as_of: datetime | None = None,
    columns: Sequence[str] = (),
    where: Mapping[str, str] = MappingProxyType({}),
) -> pl.DataFrame:
    """One published table, with its column as_of, rows in the order in which they were published.

    Args:
        store: Where from.
        table: A table of the contract, or one that explains them.
        as_of: One that is still kept; None: the newest of this table.
        columns: Those that are wanted beside as_of; none: all.
        where: Rows in which these columns hold these texts.

    Raises:
        StoreError: it was never published, or not as of that time.
    """
    with store.reading() as connection:
        kept = [row[0] for row in connection.execute(
            "SELECT as_of FROM publications WHERE table_name = ? ORDER BY as_of", [table]
        ).fetchall()]  # fmt: skip
        if not kept:
            raise StoreError(_never_published(store, table))
        wanted = as_of or kept[-1]
        if wanted not in kept:
            times = ", ".join(f"{time:%Y-%m-%dT%H:%M:%SZ}" for time in kept)
            raise StoreError(f"{table}: not published as of {wanted:%Y-%m-%dT%H:%M:%SZ}. Kept are: {times}.")
        known = columns_of(connection, table, "published")
        taken = ", ".join(
            ["as_of", *(quoted(name) for name in (columns or known) if name in known and name != "as_of")]
        )
        equal = "".join(f" AND {quoted(name)} = $p{place}" for place, name in enumerate(where, start=1))
        values = {f"p{place}": value for place, value in enumerate(where.values(), start=1)}
        query = f"SELECT {taken} FROM published.{quoted(table)} WHERE as_of = $as_of{equal} ORDER BY rowid"
        rows = _with_columns_of_now(frame_of(connection, query, as_of=wanted, **values), table)
        return rows.select("as_of", *columns) if columns else rows


def states_that_count(store: Store, as_of: datetime, coded: Sequence[str]) -> pl.DataFrame:
    """The rows of correction_state that pages of the whole fleet speak of, a tenth of all, in the order published.

    Those that stray, alarm, lead their vehicle or foresee a limit, and of each vehicle the two with the least leeway,
    among corrections whose limits set a code and among the others.

    Args:
        store: Where from.
        as_of: Of a state that is kept.
        coded: Corrections of which a limit sets a code.

    Raises:
        StoreError: there is no store.
    """
    query = """
        -- One row per vehicle and correction that counts.
        SELECT c.* EXCLUDE (as_of) FROM published.correction_state c
        LEFT JOIN published.vehicle_state v ON v.vehicle_id = c.vehicle_id AND v.as_of = $as_of
        WHERE c.as_of = $as_of
        QUALIFY c.alarm OR c.state IN ('drifting', 'outside') OR c.limit_at_p50 IS NOT NULL
            OR c.correction = v.leading_correction
            OR (c.leeway_pct IS NOT NULL AND c.state NOT IN ('not_read', 'not_fitted') AND row_number() OVER (
                PARTITION BY c.vehicle_id, list_contains($coded, c.correction), c.state IN ('not_read', 'not_fitted')
                ORDER BY c.leeway_pct NULLS LAST, c.correction) = 1)
        ORDER BY c.rowid
    """
    with store.reading() as connection:
        return _with_columns_of_now(frame_of(connection, query, as_of=as_of, coded=list(coded)), "correction_state")


def astray_by_correction(store: Store, as_of: datetime) -> pl.DataFrame:
    """How many vehicles stray in each correction that was read: `correction, astray, vehicles, median_z`, by code.

    Raises:
        StoreError: there is no store.
    """
    with store.reading() as connection:
        return frame_of(
            connection,
            # One row per correction that any vehicle read.
            "SELECT correction, count(*) FILTER (state IN ('drifting', 'outside')) AS astray, count(*) AS vehicles, "
            "median(z) AS median_z FROM published.correction_state "
            "WHERE as_of = $as_of AND state NOT IN ('not_fitted', 'not_read') GROUP BY correction ORDER BY correction",
            as_of=as_of,
        )


def _with_columns_of_now(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    """The frame with the contract's columns that an earlier release did not publish, empty."""
    contract = published_tables().get(table)
    later = {} if contract is None else {n: t for n, t in contract.schema.items() if n not in frame.columns}
    return frame.with_columns(pl.lit(None, dtype).alias(name) for name, dtype in later.items())


def _never_published(store: Store, table: str) -> str:
    if table in ("work_plan", "forecast_check"):
        return (
            f"{store.path}: {table} is not published yet. Run: leeway {'plan' if table == 'work_plan' else 'backtest'}"
        )
    if table in published_tables():
        return f"{store.path}: {table} is not published yet. Run: leeway analyse"
    return f"'{table}' is not a published table. Published are: {', '.join(published_tables())}."


def loaded_since_analysis(store: Store) -> int:
    """Rows that were loaded, or took another's place, since the newest analysis was published; 0: none ever was.

    Raises:
        StoreError: there is no store.
    """
    query = (
        "SELECT coalesce(sum(loaded + replaced), 0)::BIGINT FROM loads WHERE loaded_at > "
        "(SELECT max(published_at) FROM publications WHERE table_name = 'vehicle_state')"
    )
    with store.reading() as connection:
        return int(one_row(connection, query)[0])


def kept_as_ofs(store: Store, table: str = "vehicle_state") -> list[datetime]:
    """Times as of which a table is published and kept, oldest first."""
    with store.reading() as connection:
        rows = connection.execute(
            "SELECT as_of FROM publications WHERE table_name = ? ORDER BY as_of", [table]
        ).fetchall()
    return [row[0] for row in rows]


def published_names(store: Store) -> list[str]:
    """Names of the tables that are published, those beyond the contract too."""
    with store.reading() as connection:
        return [
            row[0] for row in connection.execute("SELECT DISTINCT table_name FROM publications ORDER BY 1").fetchall()
        ]


def load_reports(store: Store) -> pl.DataFrame:
    """One row per file that was handed over, newest first; columns of the store's table `loads`."""
    with store.reading() as connection:
        return frame_of(connection, "SELECT * FROM loads ORDER BY loaded_at DESC, load_id DESC")


def quarantined(store: Store, drop: str | None = None, *, mended: bool = False) -> pl.DataFrame:
    """Rows in quarantine with file, row number, column, reason, detail, and their cells as they came (JSON).

    Args:
        store: Where from.
        drop: Only of this drop; None: of all.
        mended: Whether rows that came again, mended, are listed too.
    """
    with store.reading() as connection:
        return frame_of(
            connection,
            "SELECT quarantine_id, drop_name, file, table_name, row_number, column_name, reason, detail, "
            "original, "
            "loaded_at, load_id, mended_by FROM quarantine JOIN loads USING (load_id) "
            "WHERE withdrawn_at IS NULL AND ($drop IS NULL OR drop_name = $drop) AND ($mended OR mended_by IS NULL) "
            "ORDER BY quarantine_id",
            drop=drop,
            mended=mended,
        )


def flagged(store: Store, drop: str | None = None) -> pl.DataFrame:
    """Values that loaded although unusual, with file, row number, vehicle, column, reason and detail; newest first.

    What waited for a row of `vehicles` and has it now is no longer unusual.
    """
    with store.reading() as connection:
        return frame_of(
            connection,
            "SELECT drop_name, file, table_name, row_number, vehicle_id, column_name, reason, detail, "
            "loaded_at, load_id "
            "FROM flags JOIN loads USING (load_id) "
            "WHERE withdrawn_at IS NULL AND ($drop IS NULL OR drop_name = $drop) "
            "AND NOT (reason = $waits AND vehicle_id IN (SELECT vehicle_id FROM vehicles)) "
            "ORDER BY load_id DESC, row_number",
            drop=drop,
            waits=waits_for("vehicles"),
        )


def proposed(store: Store) -> pl.DataFrame:
    """Columns of files that look like another unit, newest first, with the line that says what to do if so (text)."""
    with store.reading() as connection:
        return frame_of(
            connection,
            "SELECT drop_name, file, column_name, unit, readings, vehicles, example, text, loaded_at, load_id "
            "FROM proposals JOIN loads USING (load_id) WHERE withdrawn_at IS NULL "
            "ORDER BY load_id DESC, column_name, unit",
        )


def log_values(store: Store, vehicle_id: str) -> pl.DataFrame:
    """What one vehicle's values rest on that rows of logs made: `read_at, column_name, row_count, least, most`."""
    with store.reading() as connection:
        return frame_of(
            connection,
            # One row per value of a reading that still stands as its load brought it.
            "SELECT read_at, column_name, row_count, least, most FROM log_values "
            "SEMI JOIN snapshots USING (vehicle_id, read_at, load_id) WHERE vehicle_id = $vehicle "
            "ORDER BY read_at, column_name",
            vehicle=vehicle_id,
        )


def vehicle_snapshots(store: Store, vehicle_id: str) -> pl.DataFrame:
    """One vehicle's whole history: contract columns, then the corrections that it ever read; by time."""
    with store.reading() as connection:
        return snapshots_of(connection, vehicle_id)
