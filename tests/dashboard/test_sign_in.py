"""A real browser signs in at a real provider: who may see what, what is refused and said, and what the log holds."""

import importlib.util
import json
import re
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import HTTPError, URLError

import pytest

from pipelines.store.acts import acts
from pipelines.store.folder import Store

spec = importlib.util.spec_from_file_location("dashboard_browser", Path(__file__).with_name("browser.py"))
assert spec is not None
assert spec.loader is not None
tools = importlib.util.module_from_spec(spec)
spec.loader.exec_module(tools)

PEOPLE = [
    {
        "sub": "anna",
        "name": "Anna",
        "email": "anna@fleet.example",
        "email_verified": True,
        "groups": ["south"],
    },
    {"sub": "otto", "name": "Otto", "email": "Otto@Fleet.example", "email_verified": True, "groups": []},
    {"sub": "eve", "name": "Eve", "email": "otto@fleet.example", "email_verified": False, "groups": []},
    {"sub": "max", "name": "Max", "email": "max@fleet.example", "email_verified": True, "groups": ["drivers"]},
]
ROLES = """
[[person]]
group = "south"
roles = ["technician"]
depots = ["Saltings"]
[[person]]
address = "otto@fleet.example"
roles = ["owner"]
"""


@contextmanager
def provider() -> Iterator[str]:
    """A provider of sign-ins on this machine; gives its address."""
    port = tools.free_port()
    claims = [word for person in PEOPLE for word in ("--user-claims", json.dumps(person))]
    command = [sys.executable, "-W", "ignore", "-m", "oidc_provider_mock", "--port", str(port), *claims]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as running:
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            running.terminate()


@pytest.fixture(scope="module")
def store(known_store, tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("signed") / "store"
    shutil.copytree(known_store, place)
    (place / "roles.toml").write_text(ROLES)
    return place


@pytest.fixture(scope="module")
def address(store) -> Iterator[str]:
    with provider() as there:
        port = tools.free_port()
        (store / "secret").write_text("told by the provider\n")
        (store / "settings.toml").write_text(
            f'[sign_in]\nprovider = "{there}/.well-known/openid-configuration"\nclient_id = "leeway"\n'
            f'client_secret_file = "{store / "secret"}"\naddress = "http://127.0.0.1:{port}"\n'
        )
        with tools.served(store, port=port) as answered:
            yield answered


@pytest.fixture(scope="module")
def running() -> Iterator[object]:
    with tools.browser() as started:
        yield started


class Caller:
    """Somebody at a browser of their own."""

    def __init__(self, running, address: str) -> None:
        self.address = address
        self.page = running.new_context(viewport={"width": 1440, "height": 1000}).new_page()
        self.page.set_default_timeout(tools.PATIENCE_MS)
        self.page.route("**/*", lambda route: route.continue_() if "127.0.0.1" in route.request.url else route.abort())

    def opens(self, path: str = "") -> "Caller":
        self.page.goto(f"{self.address}/{path}")
        tools.settle(self.page)
        return self

    def signs_in(self, sub: str) -> "Caller":
        self.page.get_by_role("button", name="Sign in").click()
        self.page.get_by_placeholder("sub").fill(sub)
        self.page.get_by_role("button", name="Authorize").click()
        self.page.wait_for_url(f"{self.address}/**")
        tools.settle(self.page)
        return self

    def reads(self, words: str) -> "Caller":
        """These words come to stand on the page, whatever keeps an address in them from becoming a link."""
        told = re.compile("\u2060?".join(r"\s" if letter == " " else re.escape(letter) for letter in words))
        tools.expect(self.page.locator("[data-testid=stApp]")).to_contain_text(told, timeout=tools.PATIENCE_MS)
        return self

    def text(self) -> str:
        return self.page.locator("[data-testid=stApp]").inner_text()


if tools.CHROMIUM:  # without a browser on the machine there is nothing to collect

    def test_who_has_not_signed_in_sees_nothing_of_the_fleet_on_any_page(running, address):
        caller = Caller(running, address)
        for path in ("vehicle?vehicle=V1", "query"):
            caller.opens(path).reads("Sign in to see your fleet")
            assert "V1" not in caller.text()
            assert "Work plan" not in caller.text()

    def test_whoever_is_limited_to_a_depot_sees_its_vehicles_alone_and_is_told_what_is_not_for_them(running, address):
        anna = Caller(running, address).opens().signs_in("anna")
        anna.reads("Anna (anna@fleet.example): technician, Saltings")
        anna.reads("V1")
        assert "V2" not in anna.text()
        anna.opens("vehicle?vehicle=V2").reads("V2")  # told that there is no such vehicle here, with the nearest
        assert "Millrace" not in anna.text()
        anna.opens("query").reads("Asking in SQL is for analyst; anna@fleet.example is technician")

    def test_an_owner_sees_all_a_role_that_is_taken_away_is_gone_and_a_sign_out_ends_it(running, address, store):
        otto = Caller(running, address).opens().signs_in("otto").reads("owner, every depot").reads("V2")
        (store / "roles.toml").write_text(ROLES.replace("owner", "viewer"))
        try:
            otto.opens("query").reads("Asking in SQL is for analyst; Otto@Fleet.example is viewer")
        finally:
            (store / "roles.toml").write_text(ROLES)
        otto.page.get_by_role("button", name="Sign out").click()
        otto.page.get_by_role("button", name="End session").click()  # the provider's own question
        otto.opens().reads("Sign in to see your fleet")

    def test_an_address_that_was_not_verified_is_nobody_s(running, address):
        Caller(running, address).opens().signs_in("eve").reads("Sign in to see your fleet")

    def test_whoever_has_no_role_is_told_so(running, address):
        max_ = Caller(running, address).opens().signs_in("max")
        max_.reads("You have signed in as max@fleet.example").reads("without a role")
        assert "V1" not in max_.text()

    @pytest.mark.usefixtures("address")
    def test_the_log_says_who_came_and_what_was_refused(store):
        log = acts(Store(store))
        assert {"signed in", "signed out", "was refused"} <= set(log["what"])
        came = log.filter(log["what"] == "signed in")["name"].to_list()
        assert {"Anna (anna@fleet.example)", "Otto (Otto@Fleet.example)"} <= set(came)

    def test_health_and_figures_answer_without_a_sign_in_and_name_nobody(address):
        for path in ("health", "metrics"):
            try:
                with urllib.request.urlopen(f"{address}/{path}", timeout=20) as answer:  # noqa: S310 - our own
                    said = answer.read().decode()
            except HTTPError as error:  # 503: something is the matter, which is an answer
                said = error.read().decode()
            except URLError as error:
                raise AssertionError from error
            assert "anna" not in said
            assert "V1" not in said
        assert "leeway_reading_age_seconds" in said
