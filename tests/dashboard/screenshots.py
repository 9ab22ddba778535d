"""Pictures of every page of a store: python tests/dashboard/screenshots.py STORE FOLDER [--vehicle ID]."""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from browser import browser, served, settle

from dashboard.views.address import PAGES

WIDTHS = {"wide": 1440, "narrow": 420}


def main() -> None:
    """Take them all, in light and dark, wide and narrow."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("store", type=Path)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--vehicle", default="", help="vehicle whose page is taken; default: the first")
    asked.add_argument("--pages", nargs="*", default=list(PAGES))
    asked.add_argument("--looks", nargs="*", default=["light-wide", "dark-wide", "light-narrow"])
    given = asked.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    with served(given.store) as address, browser() as running:
        for look in given.looks:
            scheme, width = look.split("-")
            context = running.new_context(color_scheme=scheme, viewport={"width": WIDTHS[width], "height": 1000})
            page = context.new_page()
            for name in given.pages:
                query = f"?vehicle={given.vehicle}" if name == "vehicle" and given.vehicle else ""
                page.set_viewport_size({"width": WIDTHS[width], "height": 1000})
                page.goto(f"{address}/{'' if name == 'today' else name}{query}")
                settle(page)
                page.set_viewport_size({"width": WIDTHS[width], "height": _height(page)})
                page.wait_for_timeout(900)
                page.screenshot(path=given.folder / f"{name}-{look}.png")


def _height(page) -> int:
    """Height at which the whole page is seen."""
    found = page.evaluate(
        "Math.max(...[...document.querySelectorAll('[data-testid=stMain],[data-testid=stMainBlockContainer]')]"
        ".map(e => e.scrollHeight))"
    )
    return max(700, min(int(found) + 80, 5000))


if __name__ == "__main__":
    main()
