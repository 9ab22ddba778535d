"""A store of partitioned tables is a store: what is loaded, published, withdrawn and read there is as in one file."""

import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from pipelines.command import COMMANDS
from pipelines.entries.entry import Entry
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store import partitioned, partitioned_writing
from pipelines.store.backup import back_up, restore
from pipelines.store.bringing import bring, bring_all, bring_keys, with_what_lies_there
from pipelines.store.checking import breaches
from pipelines.store.connection import one_row
from pipelines.store.conversion import convert
from pipelines.store.entries import append, read_entries
from pipelines.store.folder import Store
from pipelines.store.partitioned_state import bucket_of, read_state
from pipelines.store.pointer import states
from pipelines.store.publish import forget, publish_tables
from pipelines.store.published import read_published, vehicle_snapshots
from pipelines.store.scoped import ScopedStore, store_seen_by

sys.path.insert(0, str(Path(__file__).parent))

from both_kinds import FIRST, VEHICLES, assert_alike, kept_alike, tables_of
from few_drops import write

BUCKETS = {"v0": 0, "v1": 0, "v2": 1}  # of two, in every release and on every machine
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


@pytest.fixture(scope="module")
def kept(tmp_path_factory) -> Path:
    """Folders `one` and `parts` with the same vehicles, readings and published tables."""
    folder = tmp_path_factory.mktemp("kept")
    rows = "".join(f"v{n % 3},2031-01-{n + 1:02d}T08:00:00Z,{n},{n - 4}\n" for n in range(9))
    files = {"vehicles": VEHICLES, "snapshots": f"vehicle_id,read_at,odometer_km,ltft_b1_idle\n{rows}"}
    one = Store(folder / "one")
    load(one, [write(folder / "base", files)], loaded_at=FIRST)
    publish_tables(one, {"odd": ODD}, FIRST)
    append(one, [Entry(who="a", kind="note", subject="fleet", value="seen")])
    (one.path / "settings.toml").write_text("# ours\n")
    convert(one, Store(folder / "parts"), buckets=2)
    return folder


@pytest.fixture
def parts(kept, tmp_path) -> Store:
    """A store of partitioned tables."""
    shutil.copytree(kept / "parts", tmp_path / "parts")
    return Store(tmp_path / "parts")


def files_of(store: Store, table: str) -> list[Path]:
    return sorted((store.path / "tables" / table).rglob("*.parquet"))


# Repeats, replaces, completes; a vehicle changes its family, and a correction is read for the first time.
DIRTY = [
    {
        "snapshots": "vehicle_id,read_at,odometer_km\nv0,2031-01-01T08:00:00Z,1\nv1,2031-01-01T08:00:00Z,-5\n",
        "readings": "vehicle_id,read_at,correction,value\nv0,2031-01-01T08:00:00Z,ltft_b1_idle,1\n",
        "faults": "vehicle_id,read_at,code,confirmed,ff_engine_load\nv0,2031-01-02T08:00:00Z,P0171,yes,1\n",
    },
    {
        "vehicles": "vehicle_id,engine_family,depot\nv1,rowan,south\n",
        "snapshots": "vehicle_id,read_at,odometer_km,ltft_b1_idle\nv0,2031-01-01T08:00:00Z,2,1\n"
        "v1,2031-01-02T08:00:00Z,2,x\nv9,2031-01-02T08:00:00Z,2,2\nv2,2031-01-02T08:00:00Z,2,2\n",
        "readings": "vehicle_id,read_at,correction,value\nv0,2031-01-01T08:00:00Z,ltft_b1_low,2\n"
        "v0,2031-01-01T08:00:00Z,ltft_b1_idle,3\n",
        "work": "vehicle_id,done_at,kind,component,cost\nv1,2031-01-01T09:00:00Z,repair,egr_valve,1\n",
    },
]


def test_the_same_drops_give_the_same_tables_in_both_kinds(tmp_path, monkeypatch):
    monkeypatch.setattr(partitioned, "SMALL", 0)  # views, as over large tables
    kept_alike(tmp_path, DIRTY, gone="drop1")


def test_there_and_back_keeps_every_bit_type_and_order(kept, tmp_path):
    convert(Store(kept / "parts"), Store(tmp_path / "back"))
    assert_alike(Store(kept / "one"), Store(tmp_path / "back"), in_order=True)
    odd = tables_of(Store(kept / "parts"), in_order=True)["published.odd"].drop("as_of")
    assert odd.equals(ODD)
    assert odd["minus"].to_numpy().tobytes() == ODD["minus"].to_numpy().tobytes()


def test_a_store_is_converted_by_a_command_into_an_empty_folder_alone(kept, tmp_path):
    command = next(command for command in COMMANDS if command.name == "store")
    done = CliRunner().invoke(command, ["convert", str(kept / "parts"), str(tmp_path / "one")])
    assert "one file a state, with everything that" in done.stdout
    assert read_entries(Store(tmp_path / "one")).equals(read_entries(Store(kept / "one")))
    assert (tmp_path / "one" / "settings.toml").read_text() == "# ours\n"
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


def test_vehicles_are_read_from_the_files_of_their_bucket_alone(parts, monkeypatch):
    monkeypatch.setattr(partitioned, "SMALL", 0)
    assert {vehicle_id: bucket_of(vehicle_id, 2) for vehicle_id in ("v0", "v1", "v2")} == BUCKETS
    for depots, seen in ((["nowhere"], []), (["north"], [2, 5, 8])):
        assert vehicle_snapshots(ScopedStore(parts.path, depots), "v2")["odometer_km"].to_list() == seen
    with parts.reading():  # attached while all files are there
        for file in files_of(parts, "main/snapshots"):
            if f"~bucket={BUCKETS['v2']}" not in file.parts:
                file.unlink()
        assert vehicle_snapshots(parts, "v2")["odometer_km"].to_list() == [2, 5, 8]
        with pytest.raises(StoreError, match="is missing"):
            vehicle_snapshots(parts, "v0")


def test_loads_that_come_at_once_both_arrive_and_many_files_become_one(parts, drop, monkeypatch):
    monkeypatch.setattr(partitioned_writing, "MOST_FILES", 1)
    drops = [
        drop(f"d{n}", snapshots=f"vehicle_id,read_at,odometer_km\nv{n},2031-02-01T08:00:00Z,{n}\n") for n in range(2)
    ]
    with ThreadPoolExecutor(2) as both:
        list(both.map(lambda each: load(Store(parts.path), [each]), drops))
    assert [vehicle_snapshots(parts, f"v{n}")["odometer_km"].to_list()[-1] for n in range(2)] == [0, 1]
    where = [(part.family, part.bucket) for part in read_state(parts.state_file(3)).table("main", "snapshots").parts]
    assert len(where) == len(set(where))


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
    parts.path.rename(parts.path.with_name("share"))
    with pytest.raises(StoreError, match=r"not there any more\. Is the disk or share"):
        read_published(parts, "odd")
    parts.path.with_name("share").rename(parts.path)
    assert read_published(parts, "odd").height == ODD.height


def test_a_store_that_is_served_is_read_on_where_nothing_is_mounted_at_its_folder(parts, drop):
    served = store_seen_by(parts.path, ["north"])
    expected = read_published(served, "odd")
    share = parts.path.rename(parts.path.with_name("share"))
    parts.path.mkdir()
    assert read_published(served, "odd").equals(expected)
    assert vehicle_snapshots(served, "v1").height == 3
    assert served.version() == 1
    assert "not there any more" in served.away()
    with pytest.raises(StoreError, match="not there any more"):
        load(parts, [drop("d", snapshots="vehicle_id,read_at\nv0,2031-02-01T08:00Z\n")])
    parts.path.rmdir()
    share.rename(parts.path)
    load(parts, [drop("d", snapshots="vehicle_id,read_at\nv0,2031-02-01T08:00Z\n")])
    assert (served.version(), served.away()) == (2, "")


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


def test_a_change_brings_what_shares_a_key_and_reads_the_rest_where_it_lies(parts):
    keys = pl.DataFrame({"vehicle_id": ["v0", "v9"], "read_at": [FIRST.replace(month=1)] * 2})
    keys = keys.with_columns(pl.col("read_at") + timedelta(hours=8))

    def here() -> tuple[int, int]:
        whole = with_what_lies_there(connection, "snapshots")
        return tuple(one_row(connection, f"SELECT count(*) FROM {each}")[0] for each in ("snapshots", whole))

    with parts.rehearsing() as connection:
        assert here() == (0, 9)
        for _ in range(2):
            bring_keys(connection, "snapshots", keys)
            assert here() == (1, 9)
        connection.execute("DELETE FROM snapshots")  # what was brought and went does not come back
        assert here() == (0, 8)
        bring(connection, ["v0"])
        assert here() == (2, 8)
        bring_all(connection)
        assert here() == (8, 8)
