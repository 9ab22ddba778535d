"""How long a fresh machine takes from `leeway demo` to the first page: `python tests/benchmarks/first_run_speed.py`.

Copies the three packages to a folder in which nothing is compiled, runs the demo there, and prints its lines with the
seconds since the start, the seconds until the page answers, and the processor time until then of all its processes.
With `--compiled` the same once more, so that what compiling takes is the difference.
"""

import argparse
import compileall
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

PACKAGES = ("dashboard", "pipelines", "synthetic_fleet")
PORT = 8597
LEEWAY = "import sys; from dashboard.command import main; sys.argv[0] = 'leeway'; main()"


def fresh_copy(folder: Path) -> None:
    """The packages as an installer leaves them: byte code beside them, no kernel."""
    root = Path(__file__).parents[2]
    for package in PACKAGES:
        shutil.copytree(root / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    compileall.compile_dir(folder, quiet=1)


def processor_time(root: int) -> float:
    """Seconds that a process and all it ever started have taken, those that run still included."""
    ticks = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue  # it ended meanwhile
        ticks[int(stat.parent.name)] = (int(fields[1]), sum(map(int, fields[11:15])))

    def of(process: int) -> int:
        return ticks[process][1] + sum(of(child) for child, (parent, _) in ticks.items() if parent == process)

    return of(root) / os.sysconf("SC_CLK_TCK")


def first_page(folder: Path, store: Path) -> None:
    """Run the demo until its page answers, and end it."""
    limits = ("POLARS_MAX_THREADS", "NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_CACHE_DIR")
    env = {name: value for name, value in os.environ.items() if name not in limits} | {"PYTHONPATH": str(folder)}
    command = [sys.executable, "-c", LEEWAY, "demo", "--store", str(store), "--port", str(PORT)]
    began = time.monotonic()
    demo = subprocess.Popen(command, env=env, cwd=folder, stderr=subprocess.STDOUT, stdout=subprocess.PIPE, text=True)
    told = threading.Thread(target=_stamped, args=(demo, began), daemon=True)
    told.start()
    while demo.poll() is None:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{PORT}/", timeout=5).read()
            break
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    print(f"page after {time.monotonic() - began:.1f} s, processor time {processor_time(demo.pid):.1f} s")
    demo.send_signal(signal.SIGINT)
    demo.wait()
    told.join()


def _stamped(demo: subprocess.Popen[str], began: float) -> None:
    for line in demo.stdout or ():
        print(f"{time.monotonic() - began:6.1f} {line.rstrip()}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--compiled", action="store_true", help="once more, with what the first run compiled")
    again = parser.parse_args().compiled
    with tempfile.TemporaryDirectory(prefix="leeway-first-run-") as name:
        folder = Path(name)
        fresh_copy(folder)
        for number in range(1 + again):
            print(f"run {number + 1}, load {os.getloadavg()[0]:.1f}")
            first_page(folder, folder / f"demo-{number}")


if __name__ == "__main__":
    main()
