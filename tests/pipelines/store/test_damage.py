"""Stores damaged in every way: the newest whole state is served or one line says what to do, and nothing good goes.

Analyses and plans are asked by what they do with a store: they read it, and publish.
"""

import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.backup import back_up, restore
from pipelines.store.checking import breaches
from pipelines.store.connection import one_row
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.publish import forget, publish_tables
from pipelines.store.published import kept_as_ofs, read_published
from pipelines.store.single_file import BLOCK, HEADER
from pipelines.store.wholeness import damage
from pipelines.store.withdrawal import withdraw

AS_OF = datetime(2031, 2, 14, tzinfo=UTC)
REASON = pl.DataFrame({"vehicle_id": ["v1"], "correction": ["ltft_b1_idle"], "share": [1.0]})
Damage = Callable[[Path], object]


def drop(folder: Path, **files: str) -> Path:
    folder.mkdir()
    for table, text in files.items():
        (folder / f"{table}.csv").write_text(text)
    return folder


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A store in which states 2 and 3 lie; the newest has what the one before it has, and a published table."""
    place = tmp_path_factory.mktemp("whole")
    store = Store(place / "store")
    rows = "".join(f"v1,2031-01-{day:02d}T08:00:00Z,{day}\n" for day in range(1, 29))
    load(store, [drop(place / "base", vehicles="vehicle_id,engine_family\nv1,alder\n")])
    load(store, [drop(place / "more", snapshots=f"vehicle_id,read_at,ltft_b1_idle\n{rows}")])
    publish_tables(store, {"outlier_reason": REASON}, AS_OF)
    return store.path


def have(store: Store) -> tuple[int, int]:
    """How many loads and publications the newest state knows."""
    with store.reading() as connection:
        return one_row(connection, "SELECT (SELECT count(*) FROM loads), (SELECT count(*) FROM publications)")


STATE_2, STATE_3 = (2, 0), (2, 1)


def flipped(name: str, at: int) -> Damage:
    def flip(store: Path) -> None:
        content = bytearray((store / name).read_bytes())
        content[at] ^= 0x10
        (store / name).write_bytes(content)

    return flip


def cut(name: str, by: int) -> Damage:
    return lambda store: (store / name).write_bytes((store / name).read_bytes()[:-by])


def written(name: str, content: bytes) -> Damage:
    return lambda store: (store / name).write_bytes(content)


def gone(*names: str) -> Damage:
    return lambda store: [(store / name).unlink() for name in names]


@dataclass(frozen=True, kw_only=True)
class Case:
    """One way to damage a store.

    left: What its newest whole state has.
    served: Whether that is served at once; else one line says that it must be restored.
    found: Whether a check must tell.
    """

    how: Damage
    left: tuple[int, int] | None = STATE_3
    served: bool = False
    found: bool = True


NEWEST, BEFORE, POINTER = "state-000003.duckdb", "state-000002.duckdb", "current"
CASES = {
    "newest: a bit of its first header": Case(how=flipped(NEWEST, 20), left=STATE_2),
    "newest: a bit of each other header": Case(
        how=lambda store: [flipped(NEWEST, at * HEADER + 30)(store) for at in (1, 2)], left=STATE_2
    ),
    "newest: a bit of its first block": Case(how=flipped(NEWEST, 3 * HEADER + 1000), left=STATE_2),
    "newest: a bit of its last block": Case(how=flipped(NEWEST, -2000), left=STATE_2),
    "newest: cut short": Case(how=cut(NEWEST, 3 * BLOCK), left=STATE_2),
    "newest: cut short, and the pointer gone": Case(
        how=lambda store: [cut(NEWEST, BLOCK // 2)(store), gone(POINTER)(store)], left=STATE_2
    ),
    "newest: empty, and the pointer gone": Case(
        how=lambda store: [written(NEWEST, b"")(store), gone(POINTER)(store)], left=STATE_2
    ),
    "newest: removed": Case(how=gone(NEWEST), left=STATE_2),
    "before: a bit": Case(how=flipped(BEFORE, 3 * HEADER + 1000), served=True),
    "before: removed": Case(how=gone(BEFORE), served=True, found=False),
    "both removed": Case(how=gone(NEWEST, BEFORE), left=None),
    "pointer: gone": Case(how=gone(POINTER), served=True),
    "pointer: junk": Case(how=written(POINTER, b"\xff\x00state"), served=True),
    "copied while it was written": Case(how=written(POINTER, b"state-000001.duckdb 5 bytes\n"), served=True),
    "pointer: of a state that is not there yet": Case(how=written(POINTER, b"state-000009.duckdb 5 bytes\n")),
    "what a killed writer left": Case(how=written("next-000004.duckdb", b"half"), served=True, found=False),
    "lock: removed": Case(how=gone("lock"), served=True, found=False),
}  # fmt: skip


def whole_files(store: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in store.glob("state-*.duckdb") if not damage(file)}


def tried(ask: Callable[[], object]) -> str | None:
    """None: it did what it is for; else the one line that says what to do."""
    try:
        ask()
    except StoreError as error:
        line = str(error)
    else:
        return None
    assert "\n" not in line
    assert "leeway store restore" in line
    return line


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_a_damaged_store_serves_its_newest_whole_state_or_says_what_to_do(whole, tmp_path, case):
    store = Store(shutil.copytree(whole, tmp_path / "store"))
    case.how(store.path)
    good = whole_files(store.path)

    reads = [
        tried(lambda: have(store) == STATE_3 or pytest.fail("another state was served")),
        tried(lambda: read_evidence(store)),
        tried(lambda: read_published(store, "outlier_reason", as_of=kept_as_ofs(store, "outlier_reason")[0])),
    ]
    found = breaches(store) if good else []
    assert bool(found) == (case.found and bool(good)), found
    backup = tmp_path / "backup"
    refused = tried(lambda: back_up(store, backup))
    assert backup.exists() == (refused is None)
    assert list(tmp_path.glob("*partial")) == []
    assert not case.served or [*reads, refused] == [None] * 4
    assert whole_files(store.path) == good

    more = drop(tmp_path / "more", vehicles="vehicle_id,engine_family\nv2,alder\n")
    writes = [
        lambda: load(store, [more]),
        lambda: publish_tables(store, {"outlier_reason": REASON}, AS_OF),
        lambda: withdraw(store, ["2"]),
        lambda: forget(store, AS_OF),
    ]
    said = [tried(write) for write in writes]
    if any(said):
        assert not case.served
        assert whole_files(store.path) == good
    else:
        assert have(store) == (3, 0)
        assert breaches(store) == []

    if case.left is None:
        with pytest.raises(StoreError, match="no whole state lies there"):
            restore(store)
    elif not case.served:
        assert restore(store)
        assert have(store) == case.left
        assert breaches(store) == []
        assert load(store, [more]).files[0].loaded == 1
        assert restore(store) is None


def test_a_backup_mends_any_damage_and_what_it_replaces_stays_until_the_next_whole_one(whole, tmp_path):
    back_up(Store(whole), tmp_path / "backup")
    store = Store(shutil.copytree(whole, tmp_path / "store"))
    written(POINTER, b"junk")(store.path)
    assert restore(store, tmp_path / "backup").kept == store.path / "before-restore-000003.duckdb"
    flipped("state-000004.duckdb", 3 * HEADER + 1000)(store.path)
    restore(store, tmp_path / "backup")
    assert sorted(file.name for file in store.path.glob("before-restore-*")) == [
        "before-restore-000003.duckdb", "before-restore-000004.duckdb",
    ]  # fmt: skip
    restore(store, tmp_path / "backup")
    assert [file.name for file in store.path.glob("before-restore-*")] == ["before-restore-000005.duckdb"]
    assert have(store) == STATE_3
    assert breaches(store) == []


@pytest.mark.parametrize("how", [flipped("backup", -2000), cut("backup", 3 * BLOCK), written("backup", b"")])
def test_a_damaged_backup_is_refused_and_the_store_stays_as_it_is(whole, tmp_path, how):
    store = Store(shutil.copytree(whole, tmp_path / "store"))
    back_up(store, tmp_path / "backup")
    how(tmp_path)
    with pytest.raises(StoreError, match=r"backup: .*Name a file that `leeway store backup` wrote"):
        restore(store, tmp_path / "backup")
    assert have(store) == STATE_3


def test_what_a_killed_backup_left_goes_with_the_next_one_and_a_living_one_keeps_its_own(whole, tmp_path):
    left = tmp_path / "killed.leeway-partial"
    left.write_bytes(b"half")
    other = tmp_path / "other.leeway-partial"
    living = subprocess.Popen(
        [sys.executable, "-c", LIVING, other], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert living.stdout.readline() == "writing\n"
    back_up(Store(whole), tmp_path / "backup")
    assert not left.exists()
    assert other.exists()
    living.communicate("")
    back_up(Store(whole), tmp_path / "backup")
    assert [file.name for file in tmp_path.iterdir()] == ["backup"]


LIVING = """
import fcntl, sys
with open(sys.argv[1], "wb") as file:
    fcntl.flock(file, fcntl.LOCK_EX)
    print("writing", flush=True)
    sys.stdin.read()
"""

# Run as the root of a namespace of its own, where it may mount: a disk that is nearly full, then one that is read only.
SMALL_DISK = """
import os, shutil, subprocess, sys
from pathlib import Path
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.backup import back_up, restore
from pipelines.store.checking import breaches
from pipelines.store.drift_checkpoint import checkpoint_folder
from pipelines.store.folder import Store
from pipelines.store.wholeness import damage

def refused(ask):
    try:
        ask()
    except StoreError as error:
        assert "\\n" not in str(error) and "free space or permissions?" in str(error), error
        return True
    return False

disk, drop = Path(sys.argv[1]), Path(sys.argv[3])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", disk], check=True)
store = Store(shutil.copytree(sys.argv[2], disk / "store"))
version, full = store.version(), 0
for free in range(0, 3_000_000, 500_000):
    (disk / "filler").write_bytes(bytes(max(0, shutil.disk_usage(disk).free - free)))
    full += refused(lambda: load(store, [drop]))
    refused(lambda: back_up(store, disk / "backup"))
    refused(lambda: restore(store, disk / "store" / "state-000002.duckdb"))
    (disk / "filler").unlink()
    (disk / "backup").unlink(missing_ok=True)
    assert not damage(store.state_file(store.version())) and breaches(store) == [], free
    if free < 1_000_000:
        assert store.version() == version and sorted(os.listdir(store.path)) == sorted(os.listdir(sys.argv[2])), free
print("full", full)
subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
assert breaches(store) == []
assert refused(lambda: load(store, [drop]))
assert refused(lambda: back_up(store, disk / "backup"))
assert refused(lambda: restore(store, store.state_file(2)))
assert refused(lambda: checkpoint_folder(store).__enter__())
print("read only")
"""


def test_a_full_disk_and_one_that_is_read_only_are_one_line_and_the_store_stays_whole(whole, tmp_path):
    try:
        may_mount = not subprocess.run(["unshare", "-rm", "true"], capture_output=True, check=False).returncode
    except FileNotFoundError:
        may_mount = False
    if not may_mount:
        pytest.skip("this system lets nobody mount a disk of their own")
    rows = "".join(f"w{n},2031-01-{1 + n % 28:02d}T08:00:00Z,{n * n % 997}.{n % 89}\n" for n in range(20_000))
    more = drop(tmp_path / "more", snapshots=f"vehicle_id,read_at,odometer_km\n{rows}")
    (tmp_path / "disk").mkdir()
    ran = subprocess.run(
        ["unshare", "-rm", sys.executable, "-c", SMALL_DISK, tmp_path / "disk", whole, more],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    full, read_only = ran.stdout.splitlines()
    assert int(full.removeprefix("full ")) > 3
    assert read_only == "read only"
