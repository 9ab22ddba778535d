"""`leeway tend` killed at random moments, and then a restore drill: nothing is lost, nothing done twice.

    python tests/benchmarks/tend_kills.py --kills 30 --seed 1

A small fleet's weeks are laid into a watched folder one after the other. Each round is killed with SIGKILL, it and all
its jobs, at a moment of its usual length drawn at random; the last round is let be. Then the published tables are held
against those of a store that was tended without a kill, and the newest backup is restored elsewhere and held against
both. Exits with 1, and says why, if anything differs.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.store.backup import restore
from pipelines.store.checking import breaches
from pipelines.store.folder import Store
from pipelines.store.published import load_reports, published_names, read_published
from pipelines.upkeep.rotation import backups_in
from pipelines.upkeep.runs import runs, taken_up

FIRST = datetime(2031, 1, 6, 8, tzinfo=UTC)
VEHICLES = [f"V{number}" for number in range(1, 9)]


def lay(folder: Path, week: int) -> None:
    """A week's readings, as another program lays them there."""
    folder.mkdir(parents=True, exist_ok=True)
    if not week:
        pl.DataFrame({"vehicle_id": VEHICLES, "engine_family": "alder"}).write_csv(folder / "vehicles.csv")
    rows = pl.DataFrame({
        "vehicle_id": VEHICLES, "read_at": FIRST + timedelta(weeks=week),
        "ltft_b1": [0.4 * ((week * 7 + place * 3) % 5) for place in range(len(VEHICLES))],
    })  # fmt: skip
    rows.write_csv(folder / f"snapshots-{week:03d}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    for file in folder.iterdir():
        os.utime(file, (time.time() - 60,) * 2)


def settings(place: Path) -> Store:
    """An empty store that watches and backs up."""
    store = Store(place / "store")
    store.path.mkdir(parents=True)
    (store.path / "settings.toml").write_text(
        f'[inbox]\nfolders = ["{place / "in"}"]\nsettle_seconds = 1\n'
        f'[backup]\nfolder = "{place / "backups"}"\nevery_hours = 0.1\n'
    )
    (place / "in").mkdir()
    return store


def begun(store: Store) -> subprocess.Popen[bytes]:
    """`leeway tend` with all its jobs in a group of their own."""
    command = [sys.executable, "-c", "from dashboard.command import main; main()", "tend", "--store", str(store.path)]
    return subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def tables(store: Store) -> dict[str, pl.DataFrame]:
    """Everything that is published, without what says when it was."""
    return {name: read_published(store, name) for name in published_names(store)}


def differing(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> list[str]:
    """Names of tables that are not the same to the last bit."""
    return [name for name in sorted(one.keys() | other.keys())
            if name not in one or name not in other or not one[name].equals(other[name])]  # fmt: skip


def main() -> None:
    """Kill, and say what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    draw = random.Random(given.seed)  # noqa: S311 - no secret
    with tempfile.TemporaryDirectory(prefix="leeway-tend-") as folder:
        killed, calm = settings(Path(folder) / "killed"), settings(Path(folder) / "calm")
        usual, died = 10.0, 0
        for week in range(given.kills):
            lay(killed.path.parent / "in", week)
            at = time.monotonic()
            process = begun(killed)
            try:
                process.wait(draw.uniform(0.2, 1.0) * usual)
                usual = 0.7 * usual + 0.3 * (time.monotonic() - at)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                died += 1
            if killed.exists() and (wrong := breaches(killed)):
                sys.exit(f"after round {week}: {wrong}")
        for week in range(given.kills):
            lay(calm.path.parent / "in", week)
        for store in (killed, calm):
            if code := begun(store).wait():
                sys.exit(f"{store.path}: the last round ended with code {code}")
        problems = differing(tables(killed), tables(calm))
        twice = (
            load_reports(killed).filter(pl.col("loaded") > 0).group_by("file").len().filter(pl.col("len") > 1).height
        )
        lost = given.kills + 1 - len(taken_up(killed.path))
        unended = runs(killed.path)["ended_at"].null_count()
        fresh = Store(Path(folder) / "elsewhere")
        at = time.monotonic()
        restore(fresh, max(backups_in(killed.path.parent / "backups")))
        took = time.monotonic() - at
        left = differing(tables(fresh), tables(killed)) if backups_in(killed.path.parent / "backups") else ["no backup"]
        print(f"{given.kills} rounds, {died} killed while they ran, {unended} jobs seen as such")
        print(f"tables that differ from a store tended calmly: {len(problems)} {problems}")
        print(f"files loaded twice: {twice}; not taken up: {lost}")
        print(
            f"restored elsewhere from the newest backup in {took:.2f} s: {len(left)} tables differ from then on {left}"
        )
        sys.exit(bool(problems or twice or lost))


if __name__ == "__main__":
    main()
