"""Commands killed at random moments: what was acknowledged stands, nothing stands by halves, the store stays whole.

    python tests/benchmarks/store_kills.py --kills 56 --seed 1 [--partitioned]

A small simulated fleet is loaded and analysed; then load, analyse, plan, backtest, backup, restore and withdraw are
started in turn, each in a process of its own, and killed somewhere between its beginning and its usual end. After each
kill the store is read and checked. Exits with 1, and says why, if anything is amiss.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from pipelines.command import COMMANDS
from pipelines.intake.load import load
from pipelines.store.backup import back_up
from pipelines.store.checking import breaches
from pipelines.store.connection import frame_of, one_row
from pipelines.store.conversion import convert
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.wholeness import damage

EVERY = ("load", "analyse", "plan", "backtest", "backup", "restore", "withdraw")
LONGEST = 1.15  # times the usual length of a command, after which it is killed at the latest


@dataclass(kw_only=True)
class Trial:
    """A store under attack.

    backup: Of the store with the drops in `base`.
    drops: Those that are loaded and withdrawn.
    usual: Seconds that each command takes undisturbed, by its name.
    rows: How many snapshots stand with some drops.
    outcomes: How often each command was done, killed without a trace, or killed when it was as good as done.
    """

    store: Store
    backup: Path
    base: frozenset[str]
    drops: Sequence[Path]
    usual: dict[str, float] = field(default_factory=dict)
    rows: dict[frozenset[str], int] = field(default_factory=dict)
    outcomes: Counter[tuple[str, str]] = field(default_factory=Counter)

    def words(self, command: str, standing: frozenset[str]) -> tuple[list[str], frozenset[str]]:
        """The words of a command, and the drops that stand once it is done."""
        place = ["--store", str(self.store.path)]
        came = [drop for drop in self.drops if drop.name in standing]
        missing = [drop for drop in self.drops if drop.name not in standing]
        if command == "load":
            return ["load", str(missing[0]), *place], standing | {missing[0].name}
        if command == "withdraw":
            return ["store", "withdraw", came[0].name, *place], standing - {came[0].name}
        if command == "restore":
            return ["store", "restore", str(self.backup), *place], self.base
        if command == "backtest":
            newest = read_evidence(self.store).as_of
            dates = [f"{newest - timedelta(days=days):%Y-%m-%d}" for days in (44, 30)]
            return ["backtest", "--from", dates[0], "--to", dates[1], "--every", "14", *place], standing
        if command in ("analyse", "plan"):
            return [command, *place], standing
        return ["store", "backup", "--to", f"{self.backup}.next", *place], standing

    def killed(self, command: str) -> int:
        """How often a command was killed."""
        return self.outcomes[command, "killed"] + self.outcomes[command, "killed, and kept"]

    def next_of(self, commands: Sequence[str]) -> str:
        """The command that was killed least, of those that there is something to do for."""
        standing = self.standing()
        stand = [drop.name in standing for drop in self.drops]
        idle = {"load" if all(stand) else "", "withdraw" if not any(stand) else ""}
        return min((each for each in commands if each not in idle), key=self.killed)

    def kill(self, command: str, generator: random.Random) -> None:
        """Run one command until it is done or killed, and look at what is left."""
        before = self.standing()
        words, wanted = self.words(command, before)
        known = self.usual.get(command)
        seconds = run(words, None if known is None else known * generator.uniform(0.0, LONGEST))
        if seconds is not None:  # the first time a command compiles
            self.usual[command] = min(seconds, known or seconds)
        after = self.standing()
        if after not in ({wanted} if seconds is not None else {before, wanted}):
            sys.exit(f"{command}: {sorted(before)} became {sorted(after)}")
        if found := breaches(self.store):
            sys.exit(f"{command}: {found}")
        written = Path(f"{self.backup}.next")
        if written.exists() and (text := damage(written)):
            sys.exit(f"{command}: a damaged backup lies there: {text}")
        written.unlink(missing_ok=True)
        kept = "killed, and kept" if after != before else "killed"
        how = kept if seconds is None else "done"
        self.outcomes[command, how] += 1
        print(f"{sum(self.outcomes.values())}: {command} {how}", flush=True)

    def standing(self) -> frozenset[str]:
        """Drops that stand, which always have as many snapshots."""
        with self.store.reading() as connection:
            loads = frame_of(connection, "SELECT DISTINCT drop_name FROM loads WHERE withdrawn_at IS NULL")
            rows = one_row(connection, "SELECT count(*) FROM snapshots")[0]
        drops = frozenset(loads["drop_name"])
        if self.rows.setdefault(drops, rows) != rows:
            sys.exit(f"{sorted(drops)}: {self.rows[drops]} snapshots stood before, now {rows}")
        return drops


def run(words: Sequence[str], killed_after: float | None) -> float | None:
    """Run a command in a process of its own; seconds that it took, None if it was killed before it was done."""
    child = subprocess.Popen(
        [sys.executable, __file__, "--child", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    if child.stdout.readline() != "ready\n":
        sys.exit(f"{words}: {child.communicate()[1]}")
    started = time.monotonic()
    try:
        _, said = child.communicate(timeout=killed_after)
    except subprocess.TimeoutExpired:
        child.kill()
        child.communicate()
        return None
    if child.returncode not in (0, 3):
        sys.exit(f"{words}: {said}")
    return time.monotonic() - started


def attack(trial: Trial, commands: Sequence[str], *, kills: int, seed: int) -> None:
    """Run the commands, each once undisturbed, then until so many were killed; what they left must be gone."""
    generator = random.Random(seed)  # noqa: S311 (moments to kill at)
    while sum(trial.killed(command) for command in commands) < kills:
        trial.kill(trial.next_of(commands), generator)
    with trial.store.writing("tidy up"):
        pass
    back_up(trial.store, trial.backup)
    if left := [*trial.store.path.glob("*next*"), *trial.backup.parent.glob("*partial")]:
        sys.exit(f"left behind: {left}")


def child(words: Sequence[str]) -> None:
    command = next(command for command in COMMANDS if command.name == words[0])
    print("ready", flush=True)
    command.main(list(words[1:]), standalone_mode=False)


def main() -> None:
    """Make the fleet, and attack its store."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=56)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--partitioned", action="store_true", help="a store of partitioned tables")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulate = ["simulate", "--vehicles", "20", "--weeks", "40", "--seed", "5", "--out", str(folder / "fleet")]
        subprocess.run(
            [sys.executable, "-c", "from dashboard.command import main; main()", *simulate],
            check=True,
            capture_output=True,
        )
        drops = sorted(path for path in (folder / "fleet").iterdir() if path.is_dir() and path.name != "truth")
        store = Store(folder / "store")
        load(store, drops[:6])
        if asked.partitioned:
            store, converted = Store(folder / "parts"), store
            convert(converted, store, buckets=2)
        back_up(store, folder / "backup")
        base = frozenset(drop.name for drop in drops[:6])
        trial = Trial(store=store, backup=folder / "backup", base=base, drops=drops[6:8])
        commands = [each for each in EVERY if each != "restore" or not asked.partitioned]
        attack(trial, commands, kills=asked.kills, seed=asked.seed)
        for command in commands:
            counts = {how: count for (of, how), count in sorted(trial.outcomes.items()) if of == command}
            print(f"{command}: {', '.join(f'{count} {how}' for how, count in counts.items())}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2:])
    else:
        main()
