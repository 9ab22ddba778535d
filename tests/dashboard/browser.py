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

__all__ = ["CHROMIUM", "PATIENCE_MS", "browser", "expect", "hindrances", "served", "settle"]

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
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
def served(store: Path, *options: str, environment: Mapping[str, str] = MappingProxyType({})) -> Iterator[str]:
    """`leeway serve` on a free port of this machine until the block is left; gives its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
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


PATIENCE_MS = 120_000  # on a machine that is busy with other things
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
FOUND = """async () => (await axe.run(document, {resultTypes: ["violations"]})).violations
    .filter(each => ["serious", "critical"].includes(each.impact))
    .map(each => `${each.id}: ${each.nodes[0].html.slice(0, 200)}`)"""


def hindrances(page: Page) -> list[str]:
    """What keeps somebody from reading or using the page, in light and in dark, by the rules of axe that weigh most."""
    page.evaluate(AXE)
    found: list[str] = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.wait_for_timeout(200)
        found += [f"{scheme}: {each}" for each in page.evaluate(FOUND)]
    return found
