"""Pages seen by twenty people who have signed in, while a drop is loaded and the fleet analysed: times and memory.

    python tests/benchmarks/service_views.py STORE [--views 200] [--sessions 20] [--drop DROP]

The store is copied. A provider of sign-ins runs on this machine; half of the people see all depots, half see one. Each
view is a click in the menu, timed until the page has run and stands still (0.7 s of which are the standing still).
Meanwhile `leeway load DROP` and `leeway analyse` run beside, again and again. Printed, not asserted.
"""

import argparse
import importlib.util
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from itertools import cycle
from pathlib import Path

from dashboard.views.address import PAGES
from pipelines.store.fleet_reads import fleet_table
from pipelines.store.folder import Store

TESTS = Path(__file__).parent.parent / "dashboard"
STILL_S = 0.7  # of each view, in which nothing more may change


def _module(file: Path):
    spec = importlib.util.spec_from_file_location(file.stem, file)
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


signing, tools = _module(TESTS / "test_sign_in.py"), _module(TESTS / "browser.py")


def prepared(source: Path, place: Path, provider: str, port: int) -> Store:
    """A copy of a store with sign-in and roles: Otto sees all, Anna one depot."""
    shutil.copytree(source, place)
    depot = fleet_table(Store(place), "vehicles")["depot"].drop_nulls().sort()[0]
    (place / "roles.toml").write_text(
        f'[[person]]\ngroup = "south"\nroles = ["viewer"]\ndepots = ["{depot}"]\n'
        '[[person]]\naddress = "otto@fleet.example"\nroles = ["owner"]\n'
    )
    (place / "secret").write_text("told by the provider\n")
    (place / "settings.toml").write_text(
        f'[sign_in]\nprovider = "{provider}/.well-known/openid-configuration"\nclient_id = "leeway"\n'
        f'client_secret_file = "{place / "secret"}"\naddress = "http://127.0.0.1:{port}"\n'
    )
    return Store(place)


def beside(store: Store, drop: Path | None, stop: threading.Event, done: list[float]) -> None:
    """Load and analyse until told to stop; the seconds that each analysis took."""
    front = [sys.executable, "-c", "from dashboard.command import main; main()"]
    while not stop.is_set():
        if drop is not None:
            subprocess.run([*front, "load", str(drop), "--store", str(store.path)], check=False, capture_output=True)
        began = time.monotonic()
        subprocess.run([*front, "analyse", "--store", str(store.path)], check=True, capture_output=True)
        done.append(time.monotonic() - began)


def peak_mb(port: int) -> tuple[float, int]:
    """Most memory that the server on a port took (MB), and how many files it has open now."""
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().split(b"\0")
            if b"serve" in words and str(port).encode() in words:
                status = (process / "status").read_text()
                most = next(line for line in status.splitlines() if line.startswith("VmHWM"))
                return int(most.split()[1]) / 1024, len(list((process / "fd").iterdir()))
        except OSError:
            continue
    return float("nan"), 0


def timed(action: Callable[[], object]) -> float:
    """Seconds that an action takes."""
    began = time.monotonic()
    action()
    return time.monotonic() - began


def main() -> None:
    """Sign in, look, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("store", type=Path)
    parser.add_argument("--views", type=int, default=200)
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--drop", type=Path)
    given = parser.parse_args()
    port, stop, analyses = tools.free_port(), threading.Event(), list[float]()
    with tempfile.TemporaryDirectory(prefix="leeway-views-") as folder, signing.provider() as provider:
        store = prepared(given.store, Path(folder) / "store", provider, port)
        with tools.served(store.path, port=port) as address, tools.browser() as running:
            states = []
            for who in ("otto", "anna"):
                caller = signing.Caller(running, address).opens().signs_in(who)
                states.append(caller.page.context.storage_state())
            pages = []
            for _, state in zip(range(given.sessions), cycle(states), strict=False):
                page = running.new_context(viewport={"width": 1440, "height": 1000}, storage_state=state).new_page()
                page.set_default_timeout(tools.PATIENCE_MS)
                page.goto(address)
                tools.settle(page)
                pages.append(page)
            worker = threading.Thread(target=beside, args=(store, given.drop, stop, analyses))
            worker.start()
            names = [PAGES[name] for name in PAGES if name not in {"query", "runs"}]
            took = []
            for page, name in zip(cycle(pages), cycle(names), strict=False):
                link = page.locator("[data-testid=stSidebar]").get_by_role("link", name=name, exact=True)
                took.append(timed(lambda link=link, page=page: (link.click(), tools.settle(page))) - STILL_S)
                if len(took) == given.views:
                    break
            memory, files = peak_mb(port)
            stop.set()
            worker.join()
    took.sort()
    print(f"{len(took)} views by {given.sessions} sessions, {len(analyses)} analyses beside them")
    print(f"a view: median {statistics.median(took):.2f} s, 95 % within {took[int(0.95 * len(took)) - 1]:.2f} s")
    print(f"server: at most {memory:.0f} MB, {files} files open at the end")
    print(f"an analysis beside: {', '.join(f'{each:.1f}' for each in analyses)} s")


if __name__ == "__main__":
    main()
