"""From a click to the drawn chart in a browser, and the server's memory: dashboard_browser.py STORE [--sizes 2000].

The store is replicated as by `dashboard_speed.py`. Clicked is another correction, on a vehicle's page and on that of
trends; the time ends at the last change of the page's first chart. Printed, not asserted: median and largest time (s),
and the server's resident memory (MB) with ten sessions, each on a page of its own.
"""

import argparse
import importlib.util
import re
import statistics
import tempfile
from pathlib import Path

from dashboard.views.address import PAGES
from pipelines.store.folder import Store

HERE = Path(__file__).parent
CLICKS = 4
SESSIONS = 10
WATCH = """() => {
    window.begun = window.changed = null;
    const seen = () => document.querySelector("[data-testid=stVegaLiteChart] svg")?.outerHTML ?? "";
    let last = seen();
    document.addEventListener("click", () => { window.begun = performance.now(); }, {capture: true, once: true});
    const look = () => {
        const now = seen();
        if (now !== last) { last = now; window.changed = performance.now(); }
        if (!window.changed || performance.now() - window.changed < 1500) requestAnimationFrame(look);
    };
    look();
}"""
DRAWN = "() => window.begun && window.changed > window.begun && performance.now() - window.changed > 1500"


def _module(file: Path):
    spec = importlib.util.spec_from_file_location(file.stem, file)
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


browser, speed = _module(HERE.parent / "dashboard" / "browser.py"), _module(HERE / "dashboard_speed.py")


def main() -> None:
    """Make the stores, click on each, print a line a page."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("store", type=Path, help="analysed store to replicate")
    asked.add_argument("--sizes", nargs="*", type=int, default=[2_000, 10_000])
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="leeway-bench-") as folder, browser.browser() as running:
        for size in given.sizes:
            place = speed.replicated(Store(given.store), size, Path(folder) / str(size)).path
            with browser.served(place) as address:
                for page in ("vehicle", "trends"):
                    took = _clicks(running, f"{address}/{page}")
                    print(
                        f"{size:>9} {page:<8} median {statistics.median(took):.2f} s, most {max(took):.2f} s",
                        flush=True,
                    )
                print(f"{size:>9} memory   {_with_sessions(running, address, place):.0f} MB", flush=True)


def _clicks(running, address: str) -> list[float]:
    page = running.new_context(viewport={"width": 1440, "height": 1000}).new_page()
    page.set_default_timeout(browser.PATIENCE_MS)
    page.goto(address)
    browser.settle(page)
    took = []
    for place in range(1, CLICKS + 1):
        page.get_by_role("combobox", name=re.compile("^Correction")).first.click()
        page.get_by_role("option").nth(place).wait_for()
        page.evaluate(WATCH)
        page.get_by_role("option").nth(place).click()
        page.wait_for_function(DRAWN)
        took.append(page.evaluate("(window.changed - window.begun) / 1000"))
    page.context.close()
    return took


def _with_sessions(running, address: str, place: Path) -> float:
    """Resident memory of the server with ten pages open, MB."""
    contexts = [running.new_context() for _ in range(SESSIONS)]
    for context, name in zip(contexts, [*PAGES, *PAGES], strict=False):
        page = context.new_page()
        page.set_default_timeout(browser.PATIENCE_MS)
        page.goto(f"{address}/{name}")
        browser.settle(page)
    for status in Path("/proc").glob("[0-9]*/cmdline"):
        command = status.read_bytes().split(b"\0")
        if b"serve" in command and str(place).encode() in command:
            held = (status.parent / "status").read_text()
            return int(re.search(r"VmRSS:\s+(\d+)", held)[1]) / 1024
    raise RuntimeError("the server is gone")


if __name__ == "__main__":
    main()
