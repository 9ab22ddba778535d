"""Loads spoilt files beside good ones through the real front door, in a child whose memory is bounded; prints a table.

Run: python tests/benchmarks/bad_inputs.py [SECONDS [FIRST]] (default 60 seconds, recipes from number 0).

The promise, for each: exit code 0, 2 or 3; no traceback and no fault of the program; the good rows beside it are in the
store, which is sound; every row of the file is accounted for, where rows can be counted; nothing stays in the temporary
folder; memory and time stay within bounds.
"""

import contextlib
import io
import json
import os
import resource
import select
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any

from spoilt_files import Recipe, drawn

MEMORY_BYTES = 6 * 2**30  # of address space, of which libraries reserve half without touching it
HANG_SECONDS = 180  # a small file takes a tenth of a second
TRIALS_A_CHILD = 60
FILES_A_DROP = 16
GOOD_VEHICLES = "vehicle_id,engine_family\nkept-1,alder\nkept-2,alder\n"
GOOD_SNAPSHOTS = "vehicle_id,read_at,ltft_b1_idle\nkept-1,2031-01-06T08:00:00Z,1.5\nkept-2,2031-01-06T08:00:00Z,-2.5\n"
GOOD_ROWS = [("kept-1", 1.5), ("kept-2", -2.5)]


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one spoilt file: rows accounted for (None: it was not read), and what broke of the promise."""

    recipe: Recipe
    rows: int | None
    breaches: list[str]

    @property
    def word(self) -> str:
        """One word for it."""
        return "broken" if self.breaches else "not read" if self.rows is None else "read"


def _outcome(recipe: Recipe, content: bytes, rows: int | None) -> Outcome:
    lines = [line for line in content.removeprefix(b"\xef\xbb\xbf").split(b"\n") if line.strip()]
    lost = recipe.form == "ndjson" and rows is not None and rows != len(lines)
    return Outcome(
        recipe=recipe, rows=rows, breaches=[f"{len(lines)} lines, {rows} rows accounted for"] if lost else []
    )


class Trials:
    """A child that loads one drop after another; started anew when it died or did many."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.temporary = folder / "temporary"
        self.temporary.mkdir(exist_ok=True)
        self._child: subprocess.Popen[bytes] | None = None
        self._done = 0

    def __enter__(self) -> "Trials":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def of_recipes(self, recipes: Sequence[Recipe]) -> list["Outcome"]:
        """What became of spoilt files that came in one drop; where the promise broke, of each in a drop of its own."""
        contents = [recipe.content() for recipe in recipes]

        def fill(drop: Path) -> None:
            for number, (recipe, content) in enumerate(zip(recipes, contents, strict=True)):
                (drop / f"{recipe.table}-{number:02d}-spoilt.{recipe.ending}").write_bytes(content)

        found = self.of_drop(fill)
        outcomes = [
            _outcome(recipe, content, found["files"].get(f"{recipe.table}-{number:02d}-spoilt.{recipe.ending}"))
            for number, (recipe, content) in enumerate(zip(recipes, contents, strict=True))
        ]
        if not found["breaches"]:
            return outcomes
        if len(recipes) == 1:
            return [replace(outcomes[0], breaches=[*outcomes[0].breaches, *found["breaches"]])]
        alone = [outcome for recipe in recipes for outcome in self.of_recipes([recipe])]
        if any(outcome.breaches for outcome in alone):
            return alone
        together = f"only together ({', '.join(map(str, recipes))}): {found['breaches']}"
        return [replace(alone[0], breaches=[together]), *alone[1:]]

    def of_drop(self, fill: Callable[[Path], object]) -> dict[str, Any]:
        """What became of a drop of good files and what `fill` puts beside them.

        Returns:
            exit, output, seconds, files (rows accounted for of each spoilt file; null: it was not read), and breaches
            of the promise, which should be none.
        """
        drop, store = self.folder / "drop", self.folder / "fleet.store"
        for place in (drop, store):
            shutil.rmtree(place, ignore_errors=True)
        drop.mkdir()
        (drop / "vehicles.csv").write_text(GOOD_VEHICLES)
        (drop / "snapshots.csv").write_text(GOOD_SNAPSHOTS)
        fill(drop)
        started = time.monotonic()
        found = self._ask([str(drop), str(store)])
        if left := sorted(path.name for path in self.temporary.iterdir()):
            found["breaches"].append(f"left in the temporary folder: {left}")
            for name in left:
                shutil.rmtree(self.temporary / name, ignore_errors=True)
        return found | {"seconds": time.monotonic() - started}

    def _ask(self, words: list[str]) -> dict[str, Any]:
        child = self._running()
        assert child.stdin
        assert child.stdout
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(json.dumps(words).encode() + b"\n")
            child.stdin.flush()
        ready, _, _ = select.select([child.stdout], [], [], HANG_SECONDS)
        line = child.stdout.readline() if ready else b""
        if line:
            answer: dict[str, Any] = json.loads(line)
            return answer
        why = "hangs" if not ready else "dies"
        return {"exit": self._stop(), "output": "", "files": {}, "breaches": [f"the process {why}"]}

    def _running(self) -> "subprocess.Popen[bytes]":
        if self._child and self._done >= TRIALS_A_CHILD:
            self._stop()
        if self._child is None:
            self._done = 0
            self._child = subprocess.Popen(
                [sys.executable, __file__, "--child"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL, env=os.environ | {"TMPDIR": str(self.temporary)},
            )  # fmt: skip
        self._done += 1
        return self._child

    def _stop(self) -> int | None:
        child, self._child = self._child, None
        if child is None:
            return None
        child.kill()
        child.communicate()
        return child.returncode


def child() -> None:
    """Load what is asked for, a line each: drop and store; answers, a line each, go to standard output."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with os.fdopen(os.dup(1), "w") as answers:
        for line in sys.stdin:
            drop, store = json.loads(line)
            print(json.dumps(trial(drop, store)), file=answers, flush=True)


def trial(drop: str, store: str) -> dict[str, Any]:
    """Load a drop by the command, as a shell would; look at what it said and at the store."""
    from dashboard.command import main  # noqa: PLC0415 (once the memory is bounded)

    breaches: list[str] = []
    code: object = None
    said = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        sys.argv = ["leeway", "load", drop, "--store", store]
        try:
            main()
        except SystemExit as done:
            code = done.code
        except BaseException:
            breaches.append(traceback.format_exc()[-600:])
    output = said.buffer.getvalue().decode()  # type: ignore[attr-defined]
    if code not in (0, 2, 3):
        breaches.append(f"exit code {code}")
    if "fault of the program" in output or "Traceback" in output:
        breaches.append(output[-400:])
    files, unsound = look_at(store)
    return {"exit": code, "output": output, "files": files, "breaches": breaches + unsound}


def look_at(store: str) -> tuple[dict[str, int | None], list[str]]:
    """Rows of each spoilt file that are accounted for (None: it was not read), and what is unsound in the store."""
    from pipelines.store.checking import breaches  # noqa: PLC0415
    from pipelines.store.folder import Store  # noqa: PLC0415

    try:
        with Store(store).reading() as connection:
            good = connection.execute(
                "SELECT vehicle_id, ltft_b1_idle FROM snapshots WHERE vehicle_id LIKE 'kept-%' ORDER BY 1"
            ).fetchall()
            vehicles = connection.execute("SELECT count(*) FROM vehicles WHERE vehicle_id LIKE 'kept-%'").fetchall()
            files = connection.execute(
                "SELECT file, CASE WHEN unreadable IS NULL THEN loaded + repeated + replaced + quarantined END "
                "FROM loads WHERE file LIKE '%spoilt%'"
            ).fetchall()
            aside = connection.execute(
                "SELECT (SELECT count(*) FROM quarantine) - (SELECT sum(quarantined) FROM loads)"
            ).fetchall()
        unsound = [str(breach) for breach in breaches(Store(store))]
    except Exception as error:
        return {}, [f"the store cannot be read: {error}"]
    if good != GOOD_ROWS or vehicles != [(2,)]:
        unsound.append(f"good rows beside it: {good}, {vehicles}")
    if aside[0][0]:
        unsound.append(f"{aside[0][0]} more rows in quarantine than counted")
    return dict(files), unsound


def tried(folder: Path, *, seconds: float, first: int) -> Iterator[Outcome]:
    """What became of recipes from a number on, until the time is over."""
    end = time.monotonic() + seconds
    with Trials(folder) as trials:
        number = first
        while time.monotonic() < end:
            yield from trials.of_recipes([drawn(n) for n in range(number, number + FILES_A_DROP)])
            number += FILES_A_DROP


def main(seconds: float, first: int) -> int:
    """Print how many files of each form and way were tried, what each got, and every broken promise with its recipe."""
    table: dict[str, Counter[str]] = defaultdict(Counter)
    with tempfile.TemporaryDirectory(prefix="bad-inputs-") as folder:
        for outcome in tried(Path(folder), seconds=seconds, first=first):
            for row in (f"form: {outcome.recipe.form}", f"way: {outcome.recipe.way}", "all"):
                table[row][outcome.word] += 1
            for breach in outcome.breaches:
                print(f"{outcome.recipe}: {breach}", flush=True)
    words = ("read", "not read", "broken")
    print(f"{'':24}{''.join(f'{word:>10}' for word in ('tried', *words))}")
    for row, counts in sorted(table.items(), reverse=True):
        print(f"{row:24}{sum(counts.values()):10}{''.join(f'{counts[word]:10}' for word in words)}")
    return 1 if table["all"]["broken"] else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child()
    else:
        sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60, int(sys.argv[2]) if len(sys.argv) > 2 else 0))
