"""A store of partitioned tables is a store: what is loaded, published, withdrawn and read there is as in one file."""

import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.backup import back_up, restore
from pipelines.store.checking import breaches
from pipelines.store.connection import frame_of, quoted
from pipelines.store.conversion import convert
from pipelines.store.folder import Store
from pipelines.store.partitioned_state import read_state
from pipelines.store.pointer import states
from pipelines.store.publish import forget, publish_tables
from pipelines.store.published import read_published, vehicle_snapshots
from pipelines.store.scoped import ScopedStore
from pipelines.store.withdrawal import withdraw

sys.path.insert(0, str(Path(__file__).parent))

from few_drops import one_drop, write

FIRST = datetime(2031, 2, 1, tzinfo=UTC)
# What published tables may hold.
ODD = pl.DataFrame(
    {
        "vehicle_id": ["v0", "v1", None],
        "minus": [-0.0, float("nan"), None],
        "several": [[0.5, None], [], None],
        "small": pl.Series([1, 255, None], dtype=pl.UInt8),
        "odd name, (x)=": pl.Series([timedelta(hours=1).seconds, 0, None], dtype=pl.UInt64),
    }
)
VEHICLES = "vehicle_id,engine_family,depot\nv0,alder,north\nv1,alder,north\nv2,rowan,north\n"


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


@pytest.fixture(scope="module")
def kept(tmp_path_factory) -> Path:
    """Folders `one` and `parts` with the same vehicles, readings and published tables."""
    folder = tmp_path_factory.mktemp("kept")
    rows = "".join(f"v{n % 3},2031-01-{n + 1:02d}T08:00:00Z,{n},{n - 4}\n" for n in range(9))
    files = {"vehicles": VEHICLES, "snapshots": f"vehicle_id,read_at,odometer_km,ltft_b1_idle\n{rows}"}
    one = Store(folder / "one")
    load(one, [write(folder / "base", files)], loaded_at=FIRST)
    publish_tables(one, {"odd": ODD}, FIRST)
    convert(one, Store(folder / "parts"), buckets=2)
    return folder


@pytest.fixture
def parts(kept, tmp_path) -> Store:
    """A store of partitioned tables."""
    shutil.copytree(kept / "parts", tmp_path / "parts")
    return Store(tmp_path / "parts")


def files_of(store: Store, table: str) -> list[Path]:
    return sorted((store.path / "tables" / table).rglob("*.parquet"))


@settings(max_examples=1, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(drops=st.lists(one_drop(), min_size=2, max_size=3), gone=st.integers(0, 2))
def test_the_same_drops_give_the_same_tables_in_both_kinds(tmp_path_factory, drops, gone):
    folder = tmp_path_factory.mktemp("kinds")
    one, other = Store(folder / "one"), Store(folder / "other")
    load(one, [write(folder / "base", {"vehicles": VEHICLES, **drops[0]})], loaded_at=FIRST)
    convert(one, other, buckets=2)
    for n, files in enumerate(drops[1:], start=1):
        drop = write(folder / f"drop{n}", files, n)
        for store in (one, other):
            load(store, [drop], loaded_at=FIRST + timedelta(days=n))
    assert_alike(one, other)
    if gone < len(drops):
        for store in (one, other):
            withdraw(store, [f"drop{gone}" if gone else "base"], at=FIRST + timedelta(days=9))
        assert_alike(one, other)
    convert(other, Store(folder / "back"))
    assert_alike(other, Store(folder / "back"), in_order=True)
    assert breaches(other) == []
    shutil.rmtree(folder)


def test_there_and_back_keeps_every_bit_type_and_order(kept, tmp_path):
    convert(Store(kept / "parts"), Store(tmp_path / "back"))
    assert_alike(Store(kept / "one"), Store(tmp_path / "back"), in_order=True)
    odd = tables_of(Store(kept / "parts"), in_order=True)["published.odd"].drop("as_of")
    assert odd.equals(ODD)
    assert odd["minus"].to_numpy().tobytes() == ODD["minus"].to_numpy().tobytes()


def test_a_store_goes_into_an_empty_folder_alone(kept):
    with pytest.raises(StoreError, match="a store lies there"):
        convert(Store(kept / "one"), Store(kept / "parts"))


def test_published_tables_take_each_others_place_as_in_one_file(kept, parts, tmp_path):
    shutil.copytree(kept / "one", tmp_path / "one")
    one = Store(tmp_path / "one")
    other = ODD.with_columns(more=pl.lit(1))
    for n, frame in enumerate([other, other.head(1).with_columns(more=pl.lit("text"))]):
        for store in (one, parts):
            publish_tables(store, {"odd": frame, "none": frame.clear()}, FIRST + timedelta(days=n))
        first, second = (tables_of(store)["published.odd"] for store in (one, parts))
        assert first.equals(second)
    assert breaches(parts) == []
    for store in (one, parts):
        forget(store, FIRST + timedelta(days=1))
    assert_alike(one, parts)


def test_one_vehicle_is_read_from_its_bucket(parts):
    assert vehicle_snapshots(parts, "v1")["odometer_km"].to_list() == [1, 4, 7]
    seen = ScopedStore(parts.path, ["nowhere"])
    assert vehicle_snapshots(seen, "v1").is_empty()


def test_loads_that_come_at_once_both_arrive(parts, drop):
    drops = [
        drop(f"d{n}", snapshots=f"vehicle_id,read_at,odometer_km\nv{n},2031-02-01T08:00:00Z,{n}\n") for n in range(2)
    ]
    with ThreadPoolExecutor(2) as both:
        list(both.map(lambda each: load(Store(parts.path), [each]), drops))
    assert [vehicle_snapshots(parts, f"v{n}")["odometer_km"].to_list()[-1] for n in range(2)] == [0, 1]


def test_a_dry_run_and_a_load_that_is_stopped_before_the_pointer_moves_leave_the_state_before(parts, drop, monkeypatch):
    before = tables_of(parts)
    more = drop(
        "more", vehicles=VEHICLES.replace("alder", "elm"), snapshots="vehicle_id,read_at\nv0,2031-02-01T08:00Z\n"
    )
    load(parts, [more], dry_run=True)
    with monkeypatch.context() as patch:
        patch.setattr(Store, "commit", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            load(parts, [more])
    assert all(rows.equals(before[name]) for name, rows in tables_of(parts).items())
    load(parts, [more])
    assert vehicle_snapshots(parts, "v0").height == 4
    assert breaches(parts) == []
    assert {path.parts[-3] for path in files_of(parts, "main/snapshots")} >= {"~family=elm"}


def test_a_file_that_is_cut_short_or_gone_is_one_line_and_the_rest_is_read(parts, drop):
    victim = files_of(parts, "main/snapshots")[0]
    whole = victim.read_bytes()
    for spoil, said in ((lambda: victim.write_bytes(whole[:-9]), "bytes, .* were written"), (victim.unlink, "missing")):
        spoil()
        assert breaches(parts)
        assert read_published(parts, "odd").height == ODD.height
        with pytest.raises(StoreError, match=rf"state-000001.delta: damaged \(tables/main/snapshots.*{said}\)"):
            load(parts, [drop("d", snapshots="vehicle_id,read_at\nv0,2031-02-01T08:00Z\n")])
    victim.write_bytes(whole)
    assert breaches(parts) == []


def test_the_state_before_is_restored_and_a_backup_is_one_file(parts, drop, tmp_path):
    before = tables_of(parts)
    load(parts, [drop("d", snapshots="vehicle_id,read_at\nv0,2031-02-01T08:00Z\n")])
    new = {file.path for table in read_state(parts.state_file(2)).tables for file in table.parts}
    old = {file.path for table in read_state(parts.state_file(1)).tables for file in table.parts}
    for path in new - old:
        next(parts.path.rglob(Path(path).name)).unlink()
    restore(parts)
    assert all(rows.equals(before[name]) for name, rows in tables_of(parts).items())
    back_up(parts, tmp_path / "backup")
    again = Store(tmp_path / "again")
    restore(again, tmp_path / "backup")
    assert_alike(again, parts, in_order=True)
    with pytest.raises(StoreError, match="backups go back into a folder of one file"):
        restore(parts, tmp_path / "backup")


def test_old_states_are_thinned_with_the_files_that_they_alone_need(parts, drop):
    def again(km: int) -> None:
        load(parts, [drop("d", snapshots=f"vehicle_id,read_at,odometer_km\nv0,2031-01-01T08:00:00Z,{km}\n")])

    first = set(files_of(parts, "main/snapshots"))
    again(1)
    assert states(parts.path) == [1, 2]
    os.utime(parts.state_file(1), (0, 0))
    assert first < set(files_of(parts, "main/snapshots"))
    again(2)
    assert states(parts.path) == [2, 3]
    assert not first <= set(files_of(parts, "main/snapshots"))
    assert breaches(parts) == []


def test_without_the_library_it_is_said_what_to_install(kept, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "deltalake", None)
    assert vehicle_snapshots(Store(kept / "parts"), "v1").height == 3
    with pytest.raises(StoreError, match=r"pip install 'leeway\[cluster\]'"):
        convert(Store(kept / "one"), Store(tmp_path / "parts"))
