"""Who reaches the real server, by names and origins, on HTTP and on its websocket; and whom it asks itself."""

import gc
import importlib.util
import os
import socket
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.hosts import Hosts
from dashboard.serve import QUIET, Door, theme_options
from dashboard.warm import warm
from pipelines.store.folder import Store

spec = importlib.util.spec_from_file_location("dashboard_browser", Path(__file__).with_name("browser.py"))
assert spec is not None
assert spec.loader is not None
tools = importlib.util.module_from_spec(spec)
spec.loader.exec_module(tools)

EVERYWHERE = "0.0.0.0"  # noqa: S104 - what is tested
RECORDER = """
import sys
def hears(event, given):
    if event in {"socket.connect", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo", "socket.gethostbyname"}:
        place = given[0] if event.startswith("socket.get") else given[1]
        with open(LOG, "a") as log:
            log.write(f"{place[0] if isinstance(place, tuple) else place}\\n")
sys.addaudithook(hears)
"""


@pytest.fixture(scope="module")
def asked(tmp_path_factory) -> Path:
    """Where Python writes down every host that a process asks or connects to, once its folder is on the path."""
    folder = tmp_path_factory.mktemp("recorder")
    (folder / "sitecustomize.py").write_text(f"LOG = {str(folder / 'asked')!r}\n{RECORDER}")
    (folder / "asked").touch()
    return folder / "asked"


def recorded(asked: Path) -> dict[str, str]:
    return {"PYTHONPATH": os.pathsep.join(filter(None, (str(asked.parent), os.environ.get("PYTHONPATH"))))}


@pytest.fixture(scope="module")
def address(known_store):
    with tools.served(known_store, "--allow-host", "fleet.example") as answered:
        yield answered


def status(address: str, path: str = "/_stcore/health", **headers: str) -> int:
    """Status with which the server answers one request, whatever its headers; 101: a websocket is open."""
    place = urlsplit(address)
    lines = [f"GET {path} HTTP/1.1", *(f"{name.replace('_', '-')}: {value}" for name, value in headers.items())]
    if path.endswith("stream"):
        lines += ["Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 13"]
        lines += ["Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Protocol: streamlit, x"]
    with socket.create_connection((place.hostname, place.port), timeout=60) as line:
        line.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return int(line.recv(100).split()[1])


@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/_stcore/stream", "/_stcore/host-config", "/media/x.csv"])
def test_a_page_opened_under_another_name_reaches_nothing(address, path):
    port = urlsplit(address).port
    for host in ("evil.example", f"evil.example:{port}", f"127.0.0.1.evil.example:{port}", f"10.0.0.7:{port}", "x@y"):
        assert status(address, path, Host=host) == 403, host
        assert status(address, path, Host=host, Origin=f"http://{host}") == 403, host


@pytest.mark.parametrize("path", ["/_stcore/health", "/_stcore/stream"])
def test_a_page_of_another_origin_reaches_nothing_not_even_one_of_another_port(address, path):
    here = urlsplit(address)
    for origin in (
        "http://evil.example", f"http://evil.example:{here.port}", f"http://127.0.0.1:{here.port + 1}", "http://127.0.0.1",
        f"http://localhost:{here.port}", "null", "http://[", "",
    ):  # fmt: skip
        assert status(address, path, Host=here.netloc, Origin=origin) == 403, origin


@pytest.mark.parametrize(
    "name", ["127.0.0.1", "localhost", "LOCALHOST", "[::1]", socket.gethostname(), "fleet.example"]
)
def test_its_own_names_and_those_allowed_reach_all(address, name):
    host = f"{name}:{urlsplit(address).port}"
    assert status(address, "/_stcore/health", Host=host) == 200
    assert status(address, "/_stcore/stream", Host=host, Origin=f"http://{host}") == 101


def test_opened_to_everyone_it_answers_by_number_and_asks_nobody_outside(known_store, asked):
    wide = tools.served(known_store, "--address", EVERYWHERE, "--open-to-everyone", environment=recorded(asked))
    with wide as address:
        port = urlsplit(address).port
        assert status(address, Host=f"192.0.2.7:{port}") == 200
        assert status(address, Host=f"evil.example:{port}") == 403
        assert status(address, "/_stcore/stream", Host=f"127.0.0.1:{port}", Origin="http://evil.example") == 403
        assert status(address, "/_stcore/stream", Host=f"127.0.0.1:{port}", Origin=address) == 101
    assert set(asked.read_text().split()) <= {"127.0.0.1", "::1", "localhost", EVERYWHERE, "::", socket.gethostname()}


def test_what_asks_outside_would_be_written_down(asked):
    outside = "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).connect(('192.0.2.1', 1))"
    subprocess.run([sys.executable, "-c", outside], env=os.environ | recorded(asked), check=False, capture_output=True)
    assert "192.0.2.1" in asked.read_text().split()


@pytest.mark.parametrize(
    "address", [EVERYWHERE, "::", "192.0.2.7", "fleet.example", "0", "2130706433", "::ffff:0.0.0.0"]
)
def test_an_address_that_others_reach_is_refused_until_it_is_meant(address):
    with pytest.raises(click.UsageError, match=r"nothing asks who they are.*--open-to-everyone"):
        Door(address=address)
    assert "Open to everyone: whoever reaches port 8501" in Door(address=address, to_everyone=True).warning()


@pytest.mark.parametrize("address", ["", " ", "unix:socket", "a b", "-x", "x;y", "http://x"])
def test_an_address_that_is_none_is_refused(address):
    with pytest.raises(click.UsageError, match="neither a network address nor a name"):
        Door(address=address, to_everyone=True)
    with pytest.raises(click.UsageError, match="--allow-host"):
        Door(allowed=(address,))


@pytest.mark.parametrize(
    ("address", "url"),
    [("127.0.0.1", "http://127.0.0.1:8501"), ("localhost", "http://localhost:8501"), ("::1", "http://[::1]:8501")],
)
def test_this_machine_alone_needs_no_warning(address, url):
    assert Door(address=address).warning() == ""
    assert Door(address=address).url == url


@given(st.text(max_size=30))
def test_no_other_name_is_one_of_the_hosts(name):
    hosts = Hosts.of("127.0.0.1", ["fleet.example"])
    known = {"localhost", "127.0.0.1", "::1", "[::1]", socket.gethostname().lower(), "fleet.example"}
    if name.lower().rsplit(":", 1)[0].rstrip(".") not in known and name.lower().rstrip(".") not in known:
        assert name not in hosts


def test_the_theme_goes_along_without_a_folder_of_settings():
    options = theme_options()
    assert options["theme.dark.backgroundColor"].startswith("#")
    assert not set(QUIET) & set(options)


def test_a_server_loads_what_pages_need_and_sets_it_apart_whatever_the_store(tmp_path):
    warm(Store(tmp_path / "none"))
    try:
        assert "dashboard.charts.groups" in sys.modules
        assert gc.get_freeze_count()
    finally:
        gc.unfreeze()
