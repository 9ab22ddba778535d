"""How well the drift stage keeps its word, as one table: `python tests/benchmarks/drift_study.py --quick` (or --full).

A line a figure: measure, of what, entries, value, 95 % interval, target, and whether it is met (`unsure`: the value
keeps the target, its interval reaches beyond). Sections: mixed (false alarms of a mixed light fleet, pooled and by
stratum), hard (fleets that are hard in one way), simulate (the same on the simulator's fleets), delay (against the
likelihood ratio test that knows noise and growth), dates (onset and limit dates, a law of growth a
fleet), laws (limit dates where all laws are in one fleet), engine (delay on the simulator's
defects), engine_dates (their limit dates), ahead (nothing looks ahead), turbofan (where LEEWAY_TURBOFAN names the
folder of its drops).
"""

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from drift_dates import date_lines, law_lines
from drift_delay import delay_lines
from drift_engine import engine_lines
from drift_engine_dates import engine_date_lines
from drift_light import hard_lines, mixed_lines
from drift_records import ahead_lines, turbofan_lines
from drift_simulated import promise_lines, simulated
from drift_table import HEADER, Line

Sections = dict[str, Callable[[], Iterator[Line]]]
WEEKS = 104


def sections(cache: Path, folder: Path, *, full: bool) -> Sections:
    """The parts of the study by name."""
    vehicles, seeds = (600, range(1, 4)) if full else (200, range(1, 2))
    made: Sections = {
        "mixed": lambda: mixed_lines(seeds=8 if full else 1, promises=(0.1, 0.2, 0.5) if full else (0.2, 0.5)),
        "hard": lambda: hard_lines(vehicles=240 if full else 90, promise=0.2 if full else 0.5, every=1 if full else 2),
        "delay": lambda: delay_lines(plants=1100 if full else 200),
        "dates": lambda: date_lines(vehicles=1000 if full else 160),
        "laws": lambda: law_lines(vehicles=600 if full else 300, seeds=range(1, 7 if full else 3)),
        "simulate": lambda: promise_lines(
            cache, vehicles=vehicles, weeks=WEEKS, seeds=seeds, promises=(0.1, 0.2, 0.5) if full else (0.2,)
        ),
        "engine": lambda: engine_lines(cache, vehicles=vehicles, weeks=WEEKS, seeds=seeds),
        "engine_dates": lambda: engine_date_lines(
            cache, vehicles=vehicles, weeks=WEEKS, seeds=seeds, every_days=84 if full else 56
        ),
        "ahead": lambda: ahead_lines(simulated(cache, vehicles=200, weeks=WEEKS, seed=1, defects=True)),
    }
    if "LEEWAY_TURBOFAN" in os.environ:
        made["turbofan"] = lambda: turbofan_lines(Path(os.environ["LEEWAY_TURBOFAN"]), folder)
    return made


def main() -> None:
    """Runs the sections asked for and prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    size = parser.add_mutually_exclusive_group(required=True)
    size.add_argument("--quick", action="store_true", help="everything smaller, some minutes")
    size.add_argument("--full", action="store_true", help="as many entries as the targets ask for")
    parser.add_argument("--section", nargs="+", help="only these")
    parser.add_argument("--cache", type=Path, help="folder that keeps the simulated fleets for the next run")
    arguments = parser.parse_args()
    print(HEADER)
    with tempfile.TemporaryDirectory() as folder:
        made = sections(arguments.cache or Path(folder), Path(folder), full=arguments.full)
        unknown = set(arguments.section or ()) - set(made)
        if unknown:
            parser.error(f"--section: {', '.join(sorted(unknown))} is none of {', '.join(made)}.")
        for name in arguments.section or made:
            began = time.time()
            for line in made[name]():
                line.show()
            print(f"({name}: {time.time() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
