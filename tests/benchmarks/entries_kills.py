"""Writers of entries side by side, killed at random moments: what was acknowledged is there, and no key is taken twice.

    python tests/benchmarks/entries_kills.py --writers 8 --entries 200 --kills 100

A writer that was killed begins anew with its first entry under the same keys. Exits with 1, and says why, if anything
acknowledged is lost, stands under another id than was acknowledged, or stands twice.
"""

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

import pyarrow  # noqa: F401 (before any fork: each writer would import it again)

from pipelines.entries.entry import Entry
from pipelines.store.entries import append, read_entries
from pipelines.store.folder import Store


def write(store: Store, name: str, entries: int, acknowledged: Path) -> None:
    """Enter all entries of one writer, one by one, and write down each once it is acknowledged."""
    with acknowledged.open("a") as told:
        for number in range(entries):
            key = f"{name} {number}"
            note = Entry(who=name, kind="note", subject="fleet", value="x" * 200, client_key=key)
            (became,) = append(store, [note])
            told.write(f"{key}\t{became.entry_id}\n")
            told.flush()


def run(store: Store, folder: Path, *, writers: int, entries: int, kills: int, seed: int) -> int:
    """Keep the writers running until each got through; how many of them were killed in their work."""
    generator, killed = random.Random(seed), 0  # noqa: S311 (moments to kill at)

    def start(name: str) -> int:
        child = os.fork()
        if not child:
            write(store, name, entries, folder / name)
            os._exit(0)
        return child

    running = {f"w{number}": start(f"w{number}") for number in range(writers)}
    while running:
        time.sleep(generator.uniform(0.0, 0.08))
        for name, child in list(running.items()):
            done, status = os.waitpid(child, os.WNOHANG)
            if done and status:
                sys.exit(f"writer {name} failed")
            if done:
                del running[name]
        if running and killed < kills:
            name = generator.choice(sorted(running))
            os.kill(running[name], signal.SIGKILL)
            killed += os.waitpid(running[name], 0)[1] == signal.SIGKILL
            running[name] = start(name)
    return killed


def faults(store: Store, folder: Path, expected: int) -> list[str]:
    """What was lost or stands twice."""
    found = read_entries(store)
    stored = dict(found.select("client_key", "entry_id").iter_rows())
    lines = [line.split("\t") for file in folder.iterdir() for line in file.read_text().split("\n")[:-1]]
    wrong = [f"{key}: acknowledged as {entry_id}, is {stored.get(key)}" for key, entry_id in lines
             if stored.get(key) != entry_id]  # fmt: skip
    if found.height != expected or len(stored) != expected:
        wrong.append(f"{found.height} entries of {len(stored)} keys, {expected} were entered")
    if not found["entry_id"].is_sorted() or found["entry_id"].n_unique() != found.height:
        wrong.append("the ids do not rise")
    return wrong


def main() -> None:
    """Print how many kills hit and what was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in {"writers": 8, "entries": 200, "kills": 100, "seed": 7}.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="leeway-") as place:
        store, folder = Store(Path(place) / "fleet.store"), Path(place) / "acknowledged"
        folder.mkdir()
        started = time.monotonic()
        killed = run(store, folder, writers=asked.writers, entries=asked.entries, kills=asked.kills, seed=asked.seed)
        wrong = faults(store, folder, asked.writers * asked.entries)
        print(f"{asked.writers} writers x {asked.entries} entries, {killed} killed at work, "
              f"{time.monotonic() - started:.1f} s: {len(wrong)} things are wrong")  # fmt: skip
        sys.exit("\n".join(wrong) if wrong else 0)


if __name__ == "__main__":
    main()
