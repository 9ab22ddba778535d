"""Two stores of the two kinds, held against each other table by table."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
from few_drops import write

from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.connection import frame_of, quoted
from pipelines.store.conversion import convert
from pipelines.store.folder import Store
from pipelines.store.withdrawal import withdraw

FIRST = datetime(2031, 2, 1, tzinfo=UTC)
VEHICLES = "vehicle_id,engine_family,depot\nv0,Alder 1.6/x%20'y=ü,north\nv1,alder,north\nv2,rowan,north\n"


def tables_of(store: Store, *, in_order: bool = False) -> dict[str, pl.DataFrame]:
    """Every table with its rows, sorted or in the order in which they came."""
    with store.reading() as connection:
        names = connection.execute(
            "SELECT DISTINCT schema_name, table_name FROM duckdb_columns() WHERE database_name = current_database() "
            "AND schema_name IN ('main', 'published') ORDER BY ALL"
        ).fetchall()
        found = {}
        for schema, name in names:
            rows = frame_of(connection, f"SELECT * FROM {schema}.{quoted(name)} ORDER BY rowid")
            rows = rows.drop("rowid", strict=False)
            found[f"{schema}.{name}"] = rows if in_order else rows.sort(pl.all().exclude(pl.List))
        return found


def assert_alike(one: Store, other: Store, *, in_order: bool = False) -> None:
    first, second = tables_of(one, in_order=in_order), tables_of(other, in_order=in_order)
    assert list(first) == list(second)
    for name, rows in first.items():
        assert rows.schema == second[name].schema, name
        assert rows.equals(second[name]), name


def kept_alike(folder: Path, drops: Sequence[dict[str, str]], *, gone: str) -> None:
    """Load drops into both kinds and take one back; every table is the same all the while, and when converted back."""
    one, other = Store(folder / "one"), Store(folder / "other")
    load(one, [write(folder / "base", {"vehicles": VEHICLES, **drops[0]})], loaded_at=FIRST)
    convert(one, other, buckets=2)
    for n, files in enumerate(drops[1:], start=1):
        drop = write(folder / f"drop{n}", files, n)
        for store in (one, other):
            load(store, [drop], loaded_at=FIRST + timedelta(days=n))
        assert_alike(one, other)
    for store in (one, other):
        withdraw(store, [gone], at=FIRST + timedelta(days=9))
    assert_alike(one, other)
    assert breaches(other) == []
    convert(other, Store(folder / "back"))
    assert_alike(other, Store(folder / "back"), in_order=True)
