"""`leeway tend`: what a scheduler would do every night, once or again and again; each job a process of its own."""

import json
import signal
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from types import FrameType

import click

from dashboard.child import begin
from pipelines.command_options import store_option
from pipelines.errors import LockedError
from pipelines.store.folder import NOT_THERE, Store
from pipelines.store.pointer import lies_there
from pipelines.terminal import say
from pipelines.upkeep.round import Done

SOME_FAILED, AT_WORK = 1, 4  # exit codes


@click.command()
@store_option
@click.option(
    "--every",
    type=click.FloatRange(min=0.1, max=1440),
    metavar="MINUTES",
    help="Go on until Ctrl-C, a round every so many minutes (default: one round).",
)
@click.option("--json", "as_json", is_flag=True, help="Say what was done as one JSON object a line.")
def tend(store: Store, *, every: float | None, as_json: bool) -> None:
    """Look after a store: take up new files, analyse, plan, tell what is new, back up, check; only what is due.

    What is watched, kept and written where stands in the file of settings: leeway explain settings, sections inbox,
    backup and tend. It may be run twice, killed and run again: each file is taken up once, each job is whole or did
    nothing, and a second one stops at once.

    Exit code: 0 all is well; 1 a job failed; 4 another one is at work; 2 nothing could be done.

    \b
    Examples:
      leeway tend --store fleet.store
      leeway tend --store fleet.store --every 15 --json
    """  # noqa: D301 (click reads the escape)
    signal.signal(signal.SIGTERM, _stop)
    was_there = False
    while True:
        began = time.monotonic()
        if was_there and not lies_there(store.path):  # nothing is made in its place, where it would be hidden
            say(f"leeway: {store.path}: {NOT_THERE}", err=True)
            code = SOME_FAILED
        else:
            code = _round(store, as_json=as_json)
            was_there = lies_there(store.path)
        if every is None:
            sys.exit(code)
        time.sleep(max(0.0, 60 * every - (time.monotonic() - began)))


def _round(store: Store, *, as_json: bool) -> int:
    from pipelines.settings_file import settings_of  # noqa: PLC0415
    from pipelines.upkeep.round import tend as run  # noqa: PLC0415

    every: list[Done] = []
    try:
        for done in run(
            store, settings_of(store.path), lambda arguments: _run([*arguments, "--store", str(store.path)])
        ):
            every.append(done)
            say(*_told(done, as_json=as_json))
    except LockedError as error:
        say(f"leeway: {error}", err=True)
        return AT_WORK
    if not every and not as_json:
        say("Nothing was due.")
    return 0 if all(done.well for done in every) else SOME_FAILED


def _told(done: Done, *, as_json: bool) -> list[str]:
    if as_json:
        about = {
            "at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", "job": done.job, "exit_code": done.exit_code,
            "seconds": round(done.seconds, 3), "well": done.well, "said": list(done.said),
        }  # fmt: skip
        return [json.dumps(about, ensure_ascii=False)]
    how = "done" if done.well else f"failed with code {done.exit_code}"
    return [f"{done.job}: {how} in {done.seconds:.1f} s", *(f"  {line}" for line in done.said)]


def _run(arguments: Sequence[str]) -> tuple[int, list[str]]:
    """Run a command of ours in a process of its own, which ends when this one is told to."""
    with begin(arguments) as process:
        try:
            said, troubles = process.communicate()
        except BaseException:
            process.terminate()
            process.wait()
            raise
    return process.returncode, [line for line in (said + troubles).splitlines() if line.strip()]


def _stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - the system's signature
    raise KeyboardInterrupt
