"""A store whose tables lie in an object store is a store; a server of this machine speaks S3's protocol.

What is asked of the server is counted, since each request takes a real one tens of milliseconds.
"""

import io
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from click.testing import CliRunner

from pipelines.command import COMMANDS
from pipelines.errors import LeewayError, SettingError, StoreError
from pipelines.intake.load import load
from pipelines.query.ask import ask
from pipelines.store import partitioned, table_places
from pipelines.store.backup import back_up
from pipelines.store.checking import breaches
from pipelines.store.conversion import convert
from pipelines.store.folder import Store
from pipelines.store.partitioned_state import read_state
from pipelines.store.publish import publish_tables
from pipelines.store.published import read_published, vehicle_snapshots
from pipelines.store.withdrawal import withdraw

sys.path.insert(0, str(Path(__file__).parent))

from both_kinds import FIRST, VEHICLES, assert_alike
from few_drops import write
from object_store import SECRET, ObjectStore, object_store
from test_partitioned import DIRTY, ODD

STORE_GROUP = next(command for command in COMMANDS if command.name == "store")


@pytest.fixture
def server(monkeypatch):
    """An object store with an empty bucket, which the environment names; asked as if for the first time."""
    with object_store("bucket") as running:
        for name, value in running.environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.setattr(partitioned, "SMALL", 0)  # views, as over large tables
        table_places._files_at.cache_clear()
        yield running


@pytest.fixture
def stores(tmp_path, server: ObjectStore) -> tuple[Store, Store]:
    """One file, and what was made of it: tables at the address."""
    one, other = Store(tmp_path / "one"), Store(tmp_path / "other")
    rows = "".join(f"v{n % 3},2031-01-{n + 1:02d}T08:00:00Z,{n},{n - 4}\n" for n in range(9))
    first = {"vehicles": VEHICLES, "snapshots": f"vehicle_id,read_at,odometer_km,ltft_b1_idle\n{rows}"}
    load(one, [write(tmp_path / "first", first)], loaded_at=FIRST)
    publish_tables(one, {"odd": ODD}, FIRST)
    convert(one, other, buckets=2, tables=f"{address(tmp_path)}/")
    assert files_at(server, "main/snapshots")
    return one, other


def address(folder: Path) -> str:
    """Of each test another one: who asked at one goes on asking there."""
    return f"s3://bucket/fleets/{folder.name}"


def files_at(server: ObjectStore, table: str) -> list[str]:
    return [name for name in server.names() if f"/tables/{table}/" in name and name.endswith(".parquet")]


def test_every_change_makes_the_same_tables_at_an_address_and_in_one_file(stores, tmp_path):
    one, other = stores
    assert not list((other.path / "tables").iterdir())
    for n, files in enumerate(DIRTY):
        drop = write(tmp_path / f"drop{n}", files, n)
        for store in stores:
            load(store, [drop], loaded_at=FIRST + timedelta(days=n + 1))
    for store in stores:
        withdraw(store, ["drop0"], at=FIRST + timedelta(days=9))
    assert_alike(one, other)
    assert breaches(other) == []
    back_up(other, tmp_path / "backup")
    convert(other, Store(tmp_path / "back"))
    assert_alike(one, Store(tmp_path / "back"))
    sql = "SELECT count(*) AS n FROM vehicles"
    assert ask(other, sql).rows.equals(ask(one, sql).rows)
    assert SECRET not in "".join(file.read_text(errors="replace") for file in other.path.rglob("*") if file.is_file())


def test_one_vehicle_is_read_with_few_requests_and_by_no_connection_that_is_locked(server, stores):
    _, other = stores
    with other.reading():
        server.asked()
        assert vehicle_snapshots(other, "v2")["odometer_km"].to_list() == [2, 5, 8]
        assert server.asked().keys() <= {"GET"}
        vehicle_snapshots(other, "v1")
        assert server.asked()["GET"] <= 6  # the file's footer, and the columns that are read
    state = read_state(other.state_file(other.version()))
    place = state.place(other.path)
    with duckdb.connect() as locked:
        place.open_to(locked, state.sizes)
        locked.execute("SET enable_external_access = false")
        with pytest.raises(duckdb.Error):
            locked.execute(f"FROM read_parquet('{place.named(min(state.sizes))}')")


def test_threads_that_read_one_file_at_once_each_read_what_they_asked_for(server):
    """DuckDB's threads share a file: before each had its own place in it, reads broke or met one another's."""
    rows = pl.DataFrame({"a": range(60_000)}).with_columns(b=pl.col("a") * 7 % 60_000)
    content = io.BytesIO()
    rows.write_parquet(content, row_group_size=2_000, compression="uncompressed")
    server.put("bucket/threads/tables/rows.parquet", content.getvalue())
    place = table_places.AtAddress("s3://bucket/threads")
    with duckdb.connect(config={"threads": 4, "enable_external_file_cache": False}) as connection:
        place.open_to(connection, {"tables/rows.parquet": len(content.getvalue())})
        sql = f"SELECT sum(a), sum(b), sum(a * b) FROM read_parquet('{place.named('tables/rows.parquet')}')"
        with ThreadPoolExecutor(4) as threads:
            sums = set(threads.map(lambda _: connection.cursor().execute(sql).fetchone(), range(12)))
    assert sums == {tuple(rows.select(a=pl.sum("a"), b=pl.sum("b"), ab=(pl.col("a") * pl.col("b")).sum()).row(0))}


def test_what_is_gone_or_cut_short_or_answers_nobody_is_one_line(server, stores, tmp_path):
    _, other = stores
    drop = write(tmp_path / "drop", DIRTY[0])
    victim = files_at(server, "main/snapshots")[0]
    server.put(victim, b"PAR1")
    with pytest.raises(StoreError, match=r"state-000001.delta: damaged \(tables/main/snapshots/.* has 4 bytes"):
        load(other, [drop])
    server.delete(victim)
    with pytest.raises(StoreError, match=r"damaged \(tables/main/snapshots/.* is missing\)"):
        load(other, [drop])
    assert read_published(other, "odd").height == ODD.height
    server.end()
    for work in (lambda: load(other, [drop]), lambda: vehicle_snapshots(other, "v0")):
        with pytest.raises(LeewayError) as told:
            work()
        assert "Connection refused" in str(told.value)
        assert str(told.value).count("\n") == 0
        assert SECRET not in str(told.value)


def test_an_address_is_refused_in_one_line_before_anything_is_made(stores, tmp_path):
    one, other = stores
    new = Store(tmp_path / "new")
    for wrong in ("bucket/fleet", "http://bucket/fleet", "s3://key:secret@bucket/fleet", "s3://"):
        with pytest.raises(SettingError, match="no address of an object store") as told:
            convert(one, new, tables=wrong)
        assert "secret" not in str(told.value)
    with pytest.raises(StoreError, match=r"lies there\. Name a folder of which nothing is there"):
        convert(one, new, tables=address(tmp_path))
    with pytest.raises(StoreError, match=r"s3://none/fleet: .*Nothing was changed"):
        convert(one, new, tables="s3://none/fleet")
    with pytest.raises(SettingError, match="of which one file is made, in a folder"):
        convert(other, new, tables="s3://bucket/other")
    assert not new.path.exists()
    done = CliRunner().invoke(STORE_GROUP, ["convert", str(one.path), str(new.path), "--tables", "s3://bucket/second"])
    assert done.stdout.startswith(f"Wrote {new.path}: partitioned tables, files at s3://bucket/second, with everything")


def test_files_that_no_state_names_go_with_the_next_change(server, stores, monkeypatch):
    _, other = stores
    monkeypatch.setattr(partitioned, "KEPT_FOR", timedelta(0))
    before = files_at(server, "published/odd")
    for rows in (1, 2, 3):
        publish_tables(other, {"odd": ODD.head(rows)}, FIRST)
    assert not set(before) & set(files_at(server, "published/odd"))
    assert len(files_at(server, "published/odd")) == 2  # of the newest state and the one before it
