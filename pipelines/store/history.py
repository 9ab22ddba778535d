"""What stands in a raw table when some loads count and others do not: SQL that stands for the table; asks nothing.

That is what was known at an earlier time, and what stands once a load is withdrawn. A row counts as brought by the load
that first brought its content and was followed by no other: what only repeats does not change whose it is.
"""

from collections.abc import Sequence

from pipelines.catalogue.tables import drop_tables
from pipelines.store.connection import quoted
from pipelines.store.schema import READING, stored_key

# Loads that were known at `$known_at`, and not withdrawn by then.
KNOWN = (
    "(SELECT load_id FROM loads WHERE loaded_at <= $known_at AND (withdrawn_at IS NULL OR withdrawn_at > $known_at))"
)
STANDING = "(SELECT load_id FROM loads WHERE withdrawn_at IS NULL)"  # loads that were not withdrawn
LATER = "SELECT count(*) FROM loads WHERE withdrawn_at > $known_at"


def table_then(table: str, columns: Sequence[str], *, withdrawn_since: bool) -> str:
    """A relation with the rows of a raw table that were known at the parameter `$known_at`.

    Args:
        table: Name of a drop table.
        columns: All that it has.
        withdrawn_since: Whether any load was withdrawn after that time (`LATER`).
    """
    if withdrawn_since:
        return standing(table, columns, KNOWN)
    names = ", ".join(quoted(name) for name in columns)
    return (
        f"(SELECT {names} FROM {table} WHERE load_id IN {KNOWN} UNION ALL "
        f"SELECT {names} FROM {table}_replaced WHERE load_id IN {KNOWN} AND replaced_at > $known_at)"
    )


def standing(table: str, columns: Sequence[str], loads: str, keys: str | None = None) -> str:
    """A relation with what stands of a raw table if only some loads came, one row per key.

    Args:
        table: Name of a drop table.
        columns: All that it has.
        loads: Those loads, as SQL.
        keys: A relation with the keys that are asked about; None: all.
    """
    if table == "readings":
        return _folded([name for name in columns if name not in READING], loads, keys)
    names, listed = (", ".join(map(quoted, each)) for each in (columns, stored_key(drop_tables()[table])))
    return f"""(
        WITH {_changes(table, columns, loads, keys)}
        SELECT {names} FROM changes WHERE changed
        QUALIFY row_number() OVER (
            PARTITION BY {listed} ORDER BY load_id DESC, own DESC, part DESC, place DESC
        ) = 1
    )"""


def followed(table: str, columns: Sequence[str], loads: str) -> str:
    """A relation with the rows that others of their key followed on, if only some loads came; replaced_by: whose."""
    names, listed = (", ".join(map(quoted, each)) for each in (columns, stored_key(drop_tables()[table])))
    return f"""(
        WITH {_changes(table, columns, loads, None)}
        SELECT {names}, lead(load_id) OVER (
            PARTITION BY {listed} ORDER BY load_id, own, part, place
        ) AS replaced_by FROM changes WHERE changed QUALIFY replaced_by IS NOT NULL
    )"""


def _changes(table: str, columns: Sequence[str], loads: str, keys: str | None) -> str:
    """The relation `changes`: what came of each key by some loads, and whether it was other than what came before."""
    key = stored_key(drop_tables()[table])
    names, listed = (", ".join(map(quoted, each)) for each in (columns, key))
    content = ", ".join(f"{quoted(name)} := {quoted(name)}" for name in columns if name not in (*key, "load_id"))
    return f"""versions AS (
            SELECT * FROM (
                SELECT {names}, 1 AS part, rowid AS place FROM {table} UNION ALL
                SELECT {names}, 0 AS part, rowid AS place FROM {table}_replaced
            ) v {f"SEMI JOIN {keys} k ON {same(key, 'v', 'k')}" if keys else ""}
        ), repeats AS (
            SELECT v.* EXCLUDE (load_id), r.load_id
            FROM {table}_repeated r JOIN versions v ON {same(key, "r", "v")} AND v.load_id = r.same_as
            QUALIFY row_number() OVER (PARTITION BY {", ".join(f"r.{quoted(name)}" for name in key)}, r.load_id
                ORDER BY v.part DESC, v.place DESC) = 1
        ), came AS (
            SELECT {names}, part, place, 1 AS own FROM versions WHERE load_id IN {loads} UNION ALL
            SELECT {names}, part, place, 0 AS own FROM repeats WHERE load_id IN {loads}
        ), changes AS (
            SELECT *, row_number() OVER line = 1 OR struct_pack({content}) IS DISTINCT FROM
                lag(struct_pack({content})) OVER line AS changed
            FROM came WINDOW line AS (PARTITION BY {listed} ORDER BY load_id, own, part, place)
        )"""


def _folded(codes: Sequence[str], loads: str, keys: str | None) -> str:
    """Of long readings: the last value of each correction; the row is of the load that changed one of them last."""
    names = ", ".join(quoted(name) for name in [*READING, *codes])
    last = "".join(f", arg_max({quoted(code)}, nth) AS {quoted(code)}" for code in codes)
    changed = "".join(
        f" OR ({c} IS NOT NULL AND {c} IS DISTINCT FROM lag({c} IGNORE NULLS) OVER line)" for c in map(quoted, codes)
    )
    narrowed = f"SEMI JOIN {keys} k USING (vehicle_id, read_at)" if keys else ""
    return f"""(
        WITH versions AS (
            SELECT * FROM (
                SELECT {names}, 2 AS part, rowid AS place FROM readings UNION ALL
                SELECT {names}, 1 AS part, rowid AS place FROM readings_replaced
            ) {narrowed}
        ), brought AS (
            SELECT * FROM (SELECT {names}, 0 AS part, rowid AS place FROM readings_brought) {narrowed} UNION ALL
            SELECT * FROM versions ANTI JOIN readings_brought USING (vehicle_id, read_at, load_id)
        ), changes AS (
            SELECT *, row_number() OVER line AS nth, row_number() OVER line = 1{changed} AS changed
            FROM brought WHERE load_id IN {loads}
            WINDOW line AS (PARTITION BY vehicle_id, read_at ORDER BY load_id, part, place)
        )
        SELECT vehicle_id, read_at, max(load_id) FILTER (changed) AS load_id{last}
        FROM changes GROUP BY vehicle_id, read_at
    )"""


def same(key: Sequence[str], one: str, other: str) -> str:
    """The condition that two relations have the same key, of which a part may be null."""
    return " AND ".join(f"{one}.{quoted(name)} IS NOT DISTINCT FROM {other}.{quoted(name)}" for name in key)
