"""Readers see whole states and no acknowledged row is lost: beside other processes, after kills, on full disks."""

import resource
import subprocess
import sys
import time
from datetime import date, timedelta

import pytest
from polars.testing import assert_frame_equal

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.folder import Store
from pipelines.store.published import vehicle_snapshots

READER = """
import sys, time
from pathlib import Path
from pipelines.store.folder import Store
from pipelines.store.connection import frame_of
store, end = Store(sys.argv[1]), time.monotonic() + 60
seen = 0
while not Path(sys.argv[2]).exists() and time.monotonic() < end:
    with store.reading() as connection:
        sums = frame_of(connection, "SELECT count(*) n, count(DISTINCT load_id) loads FROM snapshots").row(0)
        time.sleep(0.002)
        again = frame_of(connection, "SELECT count(*) n, count(DISTINCT load_id) loads FROM snapshots").row(0)
    assert sums == again, (sums, again)
    assert sums[0] == 2 * sums[1], sums  # each load brings two rows: a half loaded file would show
    assert sums[0] >= seen, (sums, seen)
    seen = sums[0]
print(seen)
"""


def two_rows(number: int) -> str:
    day = f"2031-{1 + number // 28:02d}-{1 + number % 28:02d}"
    return f"vehicle_id,read_at\nv1,{day}T08:00:00Z\nv2,{day}T09:00:00Z\n"


def test_another_process_reads_whole_states_all_the_while_a_writer_loads(store, drop, tmp_path):
    load(store, [drop("first", snapshots=two_rows(0))])
    done = tmp_path / "done"
    with subprocess.Popen(
        [sys.executable, "-c", READER, store.path, done], stdout=subprocess.PIPE, text=True
    ) as reader:
        try:
            for number in range(1, 15):
                load(store, [drop(f"drop{number}", snapshots=two_rows(number))])
        finally:
            time.sleep(0.3)
            done.touch()
        seen, _ = reader.communicate(timeout=60)
    assert reader.returncode == 0
    assert int(seen) == 30


KILLER = """
import os, random, signal, sys, time
from pathlib import Path
import pyarrow  # before any fork: each loader would import it again
from pipelines.intake.load import load
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store

store, drops, written = Store(sys.argv[1]), sorted(Path(sys.argv[2]).iterdir()), Path(sys.argv[3])

def acknowledged():
    return written.read_text().split() if written.exists() else []

def check_then_load(ready, check):
    if check and store.exists():
        with store.reading() as connection:
            rows = frame_of(connection, "SELECT vehicle_id, strftime(read_at, '%Y-%m-%d') AS day FROM snapshots").rows()
        assert len(rows) == len(set(rows)), "a row stands twice"
        assert {(v, day) for v in ("v1", "v2") for day in acknowledged()} <= set(rows), "an acknowledged row is lost"
    os.write(ready, b"x")
    for drop in drops[len(acknowledged()):]:
        load(store, [drop])
        with written.open("a") as file:
            file.write(drop.name + " ")

generator = random.Random(int(sys.argv[5]))  # this process only forks and kills: no thread runs in it
started, longest = time.monotonic(), 0.0  # seconds a loader may live: half more than the first one takes for a load
for kill in range(int(sys.argv[4]) + 1):
    told, ready = os.pipe()
    child = os.fork()
    if not child:
        check_then_load(ready, check=kill % 5 == 0)  # what is lost or stands twice is never mended by later loads
        os._exit(0)
    os.close(ready)
    if os.read(told, 1) != b"x":
        sys.exit("the check failed")
    os.close(told)
    while not acknowledged():
        time.sleep(0.01)
    longest = longest or 1.5 * (time.monotonic() - started)
    before = len(acknowledged())
    time.sleep(generator.uniform(0.0, longest) if kill else 0.0)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    if len(acknowledged()) == before:
        longest *= 1.1  # the machine is busier than it was: in the end one gets through
"""


def test_loaders_killed_at_random_moments_lose_no_acknowledged_row_and_double_none(tmp_path):
    days = [f"{date(2031, 1, 1) + timedelta(days=number)}" for number in range(60)]
    for day in days:
        folder = tmp_path / "drops" / day
        folder.mkdir(parents=True)
        (folder / "snapshots.csv").write_text(f"vehicle_id,read_at\nv1,{day}T08:00:00Z\nv2,{day}T09:00:00Z\n")
    stores = [Store(tmp_path / f"{number}.store") for number in range(2)]  # side by side: 13 kills on each
    killers = [
        subprocess.Popen(
            [sys.executable, "-c", KILLER, store.path, tmp_path / "drops", store.path.with_suffix(".done"), "13", seed],
            stderr=subprocess.PIPE, text=True,
        )
        for seed, store in zip("78", stores, strict=True)
    ]  # fmt: skip
    for killer, store in zip(killers, stores, strict=True):
        _, said = killer.communicate()
        assert killer.returncode == 0, said
        acknowledged = store.path.with_suffix(".done").read_text().split()
        assert len(acknowledged) > 1
        for vehicle in ("v1", "v2"):
            assert set(acknowledged) <= set(vehicle_snapshots(store, vehicle)["read_at"].dt.strftime("%Y-%m-%d"))
        assert breaches(store) == []


@pytest.mark.parametrize("room", [0.5, 1.0])
def test_a_full_disk_is_one_line_and_what_was_published_stays_whole(store, small_drop, drop, room):
    load(store, [small_drop])
    version, before = store.version(), vehicle_snapshots(store, "v1")
    rows = [
        f"w{n},{date(2031, 1, 1) + timedelta(days=n % 300)}T08:00:00Z,{n * n % 997}.{n % 89}" for n in range(60_000)
    ]
    more = drop("more", snapshots="\n".join(["vehicle_id,read_at,odometer_km", *rows]) + "\n")
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(room * store.state_file(version).stat().st_size), unlimited[1]))
    try:
        with pytest.raises(StoreError, match="Nothing was changed; free space") as caught:
            load(store, [more])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    assert "\n" not in str(caught.value)
    assert store.version() == version
    assert sorted(path.name for path in store.path.iterdir()) == ["current", "lock", store.state_file(version).name]
    assert_frame_equal(vehicle_snapshots(store, "v1"), before)
    assert load(store, [more]).files[0].loaded == len(rows)
    assert breaches(store) == []
