"""How long a fleet takes to simulate and write, its memory, and how both grow: `python tests/benchmarks/...speed.py`.

Each size runs in a process of its own, so that its peak memory is its own. Targets on 2 cores: 2,000 vehicles x 104
weeks in 60 s and 3 GB; 10,000 x 104 in 360 s with memory that does not grow with the fleet. `--quick` leaves the
largest out.
"""

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SIZES = ((250, 104), (500, 104), (1000, 104), (2000, 104), (10_000, 104))
TARGETS = {(2000, 104): (60, 3.0), (10_000, 104): (360, 3.0)}


def one(vehicles: int, weeks: int) -> None:
    """Simulate one fleet in this process and print seconds and peak memory in GB."""
    from synthetic_fleet import read_scenario, simulate  # noqa: PLC0415 (its import is not what is measured)

    out = Path(tempfile.mkdtemp(prefix="fleet-"))
    simulate(read_scenario(), vehicles=1, weeks=1, seed=1, out=out)  # compiled, or read from the cache
    begun = time.perf_counter()
    simulate(read_scenario(), vehicles=vehicles, weeks=weeks, seed=1, out=out)
    seconds = time.perf_counter() - begun
    written = sum(path.stat().st_size for path in out.rglob("*") if path.is_file()) / 1e6
    shutil.rmtree(out)
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, written)


def main() -> None:
    """Print a table of all sizes."""
    print("vehicles  weeks  seconds  ms/vehicle  peak GB  written MB  target")
    for vehicles, weeks in SIZES[:-1] if "--quick" in sys.argv else SIZES:
        asked = [sys.executable, __file__, "--one", str(vehicles), str(weeks)]
        run = subprocess.run(asked, capture_output=True, text=True, check=True)
        seconds, peak, written = map(float, run.stdout.split())
        row = f"{vehicles:8d} {weeks:6d} {seconds:8.1f} {1000 * seconds / vehicles:11.2f} {peak:8.2f} {written:11.0f}"
        if (vehicles, weeks) in TARGETS:
            most, room = TARGETS[vehicles, weeks]
            row += f"  {seconds / most:.2f} of {most} s, {peak / room:.2f} of {room} GB"
        print(row, flush=True)


if __name__ == "__main__":
    if "--one" in sys.argv:
        one(int(sys.argv[-2]), int(sys.argv[-1]))
    else:
        main()
