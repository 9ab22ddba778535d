"""A dashboard served by the real command, and a real browser on it; for the browser test and the screenshots."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from urllib.error import URLError

import axe_playwright_python
from playwright.sync_api import Browser, Page, expect, sync_playwright

__all__ = [
    "CHROMIUM", "PATIENCE_MS", "browser", "cut_on_paper", "expect", "free_port", "hindrances", "served", "settle",
    "too_narrow",
]  # fmt: skip

# The shell draws the same and takes half the machine: it has no window to compose.
BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
CHROMIUM = next(filter(None, map(shutil.which, BROWSERS)), None)
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@contextmanager
def served(
    store: Path, *options: str, environment: Mapping[str, str] = MappingProxyType({}), port: int = 0
) -> Iterator[str]:
    """`leeway serve` on a free port of this machine (or that one) until the block is left; gives its address."""
    port = port or free_port()
    command = [sys.executable, "-c", "from dashboard.command import main; main()", "serve", "--store", str(store)]
    with subprocess.Popen(
        [*command, "--port", str(port), "--no-browser", *options], env=os.environ | environment
    ) as server:
        try:
            address = f"http://127.0.0.1:{port}"
            _wait_for(f"{address}/_stcore/health", server)
            yield address
        finally:
            server.send_signal(signal.SIGINT)
            try:
                server.wait(10)
            except subprocess.TimeoutExpired:
                server.kill()


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(900):
        if server.poll() is not None:
            raise RuntimeError(f"leeway serve ended with exit code {server.returncode}")
        try:
            with urllib.request.urlopen(address, timeout=1):  # noqa: S310 - our own address
                return
        except (URLError, TimeoutError, ConnectionError):
            time.sleep(0.1)
    raise RuntimeError("leeway serve did not answer within 90 s")


@contextmanager
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield running
        finally:
            running.close()


PATIENCE_MS = int(os.environ.get("LEEWAY_PATIENCE_MS", "120000"))  # on a machine that is busy with other things
AT_REST = """() => {
    const main = document.querySelector("[data-testid=stMain]");
    const running = document.querySelector('[data-test-script-state]:not([data-test-script-state="notRunning"])');
    if (!main || !main.querySelector("h1") || running || main.querySelector("[data-testid=stSkeleton]")) {
        window.heldSince = null;
        return false;
    }
    if (window.heldSince === null || window.saidLast !== main.innerText) window.heldSince = Date.now();
    window.saidLast = main.innerText;
    return Date.now() - window.heldSince > 700;
}"""


def settle(page: Page) -> None:
    """Wait until the page has run and what it says stands still."""
    page.wait_for_function(AT_REST, timeout=PATIENCE_MS, polling=100)


AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
FOUND = """async (only) => (await axe.run(document, {resultTypes: ["violations"], ...only})).violations
    .filter(each => ["serious", "critical"].includes(each.impact))
    .map(each => `${each.id}: ${each.nodes[0].html.slice(0, 200)}`)"""
ALL_RULES: dict[str, list[str]] = {}
CONTRAST = {"runOnly": ["color-contrast"]}  # what colours of another scheme can change


def hindrances(page: Page) -> list[str]:
    """What keeps somebody from reading or using the page, in light and in dark, by the rules of axe that weigh most."""
    page.evaluate(AXE)
    page.add_style_tag(content="* {transition: none !important; animation: none !important}")  # colours stand at once
    found: list[str] = []
    for scheme, rules in (("light", ALL_RULES), ("dark", CONTRAST)):
        page.emulate_media(color_scheme=scheme)
        page.wait_for_timeout(150)
        found += [f"{scheme}: {each}" for each in page.evaluate(FOUND, rules)]
    page.emulate_media(color_scheme="light")
    return found


WIDTHS = {1920: 1080, 1440: 900, 820: 1180, 375: 812}  # screens of an office, a laptop, a tablet upright and a phone
REDRAWN = 30  # tenths of a second
WRONG = """() => {
    const main = document.querySelector("[data-testid=stMain]");
    const found = [];
    if (document.documentElement.scrollWidth > window.innerWidth) found.push("the page scrolls sideways");
    if (main.scrollWidth > main.clientWidth + 1) found.push("the page scrolls sideways in its frame");
    if (main.clientWidth < 0.8 * window.innerWidth) found.push(`${main.clientWidth} pixels are left of the page`);
    const levels = [...main.querySelectorAll("h1,h2,h3,h4,h5,h6")].filter(h => h.offsetParent).map(h => +h.tagName[1]);
    const jump = levels.findIndex((level, place) => level > (place ? levels[place - 1] : 0) + 1);
    if (jump >= 0) found.push(`heading ${jump} jumps to level ${levels[jump]}`);
    const first = main.querySelector("h2, [data-testid=stAlert], [data-testid=stMarkdown] p");
    const seen = first && first.getBoundingClientRect();
    if (!seen || seen.top > window.innerHeight) found.push("the first sentence is out of sight");
    return found;
}"""


def too_narrow(page: Page) -> list[str]:
    """What is wrong with the page on any of the screens, drawn anew, not loaded again: no length hangs on colours."""
    found: list[str] = []
    for width, height in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": height})
        wrong = page.evaluate(WRONG)
        for _ in range(REDRAWN):  # charts follow the width after a while
            if not wrong:
                break
            page.wait_for_timeout(100)
            wrong = page.evaluate(WRONG)
        found += [f"{width}: {each}" for each in wrong]
    page.set_viewport_size({"width": 1440, "height": 900})
    return found


TABLES_CUT = """() => [...document.querySelectorAll("[data-testid=stDataFrame]")].filter(drawn => {
    if (drawn.closest(".st-key-screen-decide")) return false;  // to type into, which is not for paper
    const screen = drawn.closest("[class*=st-key-screen-]");
    const key = [...screen?.classList ?? []].find(name => name.startsWith("st-key-screen-"));
    const paper = key && document.querySelector("." + CSS.escape(key.replace("screen", "paper")));
    return !paper || !paper.offsetHeight || drawn.offsetHeight;
}).map(drawn => "cut on paper: " + (drawn.closest("[class*=st-key-]")?.className ?? "a table"))"""


def cut_on_paper(page: Page) -> list[str]:
    """Tables of which paper would show a window only."""
    page.emulate_media(media="print")
    found: list[str] = page.evaluate(TABLES_CUT)
    page.emulate_media(media="screen")
    return found
