"""A real browser on `leeway serve`: the roads of the three users; any error box or console error fails."""

import importlib.util
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import polars as pl
import pytest

from pipelines.store.entries import people, read_entries
from pipelines.store.folder import Store

spec = importlib.util.spec_from_file_location("dashboard_browser", Path(__file__).with_name("browser.py"))
assert spec is not None
assert spec.loader is not None
tools = importlib.util.module_from_spec(spec)
spec.loader.exec_module(tools)


MOST_TABS = 60  # stops to what comes next on a page
KEYS = ("Enter", "Space", "ArrowDown")
# The name of what has the focus (of one of several answers: its question's), and whether that is to be seen.
FOCUSED = """() => {
    const at = document.activeElement, label = at.closest("label");
    const group = at.type === "radio" ? at.closest("[role=radiogroup]") : null;
    const asked = group && (group.getAttribute("aria-label") || group.closest("[data-testid=stRadio]").innerText);
    const name = asked || at.getAttribute("aria-label") || at.labels?.[0]?.innerText || at.innerText || "";
    const shows = [at, label].some(each => each && each.getBoundingClientRect().width > 9
        && getComputedStyle(each).outlineStyle === "solid" && parseFloat(getComputedStyle(each).outlineWidth) >= 2);
    return [name.trim().replaceAll("\u00a0", " "), shows];
}"""


class Visitor:
    """One page of one browser that remembers every console error and outside address."""

    def __init__(self, running, address: str, *, width: int = 1440) -> None:
        self.running, self.address = running, address
        self.context = running.new_context(viewport={"width": width, "height": 1000}, timezone_id="Europe/Lisbon")
        self.troubles: list[str] = []
        self.page = self.context.new_page()
        self.page.set_default_timeout(tools.PATIENCE_MS)
        self._watch(self.page)

    def _watch(self, page) -> None:
        page.on("console", self._hears)
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on("request", lambda asked: self.troubles.append(asked.url) if self._outside(asked.url) else None)

    def _hears(self, said) -> None:
        """Errors, but for Streamlit's own search for its base address below the page's path."""
        if said.type == "error" and "/_stcore/" not in said.location["url"]:
            self.troubles.append(f"{said.text} {said.location['url']}")

    def _outside(self, url: str) -> bool:
        return url.startswith(("http", "ws")) and "127.0.0.1" not in url

    def opens(self, path: str) -> "Visitor":
        self.page.goto(f"{self.address}/{path}")
        return self.settles()

    def opens_again_elsewhere(self) -> "Visitor":
        """The address of this page opened by somebody else, in a session of their own."""
        other = Visitor(self.running, self.address)
        other.page.goto(self.page.url)
        return other.settles()

    def settles(self) -> "Visitor":
        tools.settle(self.page)
        assert not self.page.locator("[data-testid=stException],[data-testid=stAlertContentError]").count(), self.text()
        assert not self.troubles
        return self

    def goes_to(self, name: str) -> "Visitor":
        self.page.locator("[data-testid=stSidebar]").get_by_role("link", name=name, exact=True).click()
        self.page.wait_for_function(
            f"() => [...document.querySelectorAll('h1')].some(h => h.innerText.includes({name!r}))"
        )
        return self.settles()

    def picks(self, label: str, option: str) -> "Visitor":
        box = self.page.get_by_role("combobox", name=re.compile(label))
        box.first.click()
        self.page.get_by_role("option", name=option, exact=True).click()
        self.page.keyboard.press("Escape")
        return self.settles()

    def saves(self, what: str, ending: str, *, place: int = 0) -> Path:
        """The file that the nth button of that name hands over."""
        self.page.get_by_role("button", name=what, exact=True).nth(place).click()
        with self.page.expect_download() as saved:
            self.page.get_by_role("button", name=f"{what} as {ending}").click()
        self.page.keyboard.press("Escape")
        return Path(saved.value.path())

    def clicks(self, label: str) -> "Visitor":
        self.page.get_by_role("button", name=label).click()
        return self.settles()

    def clicks_first_vehicle(self, table: int) -> "Visitor":
        """The number in the first row of the nth table, whose cells are drawn, not elements of the page."""
        grid = self.page.locator("[data-testid=stDataFrame]").nth(table)
        grid.scroll_into_view_if_needed()
        grid.click(position={"x": 30, "y": 50})
        return self

    def tabs_to(self, name: str) -> "Visitor":
        """The Tab key alone goes on to what has this name, and it shows that it is there."""
        for _ in range(MOST_TABS):
            self.page.keyboard.press("Tab")
            named, shows = self.page.evaluate(FOCUSED)
            if named.startswith(name):
                assert shows, f"{name}: the focus is not to be seen"
                return self
        raise AssertionError(f"{name} is not reached by the Tab key")

    def types(self, *keys: str) -> "Visitor":
        """Keys by their names, anything else as it is written."""
        for each in keys:
            self.page.keyboard.press(each) if each in KEYS else self.page.keyboard.type(each)
        return self

    def presses(self, label: str) -> "Visitor":
        self.page.get_by_role("radio", name=label, exact=True).click()
        return self.settles()

    def reads(self, words: str) -> "Visitor":
        """These words come to stand on the page."""
        main = self.page.locator("[data-testid=stMain]")
        tools.expect(main).to_contain_text(words, timeout=tools.PATIENCE_MS)
        return self

    def is_at(self, address: str) -> "Visitor":
        """The address comes to hold these words."""
        self.page.wait_for_url(re.compile(re.escape(address)), timeout=tools.PATIENCE_MS)
        return self

    def text(self) -> str:
        return self.page.locator("[data-testid=stMain]").inner_text().replace("\u00a0", " ")


@pytest.fixture(scope="module")
def address(known_store) -> Iterator[str]:
    with tools.served(known_store) as answered:
        yield answered


@pytest.fixture(scope="module")
def own(known_store, tmp_path_factory) -> Iterator[tuple[str, Store]]:
    """The address of a store that tests write to, and the store."""
    place = tmp_path_factory.mktemp("own") / "store"
    shutil.copytree(known_store, place)
    with tools.served(place) as answered:
        yield answered, Store(place)


@pytest.fixture(scope="module")
def running() -> Iterator[object]:
    with tools.browser() as started:
        yield started


if tools.CHROMIUM:  # without a browser on the machine there is nothing to collect

    def test_a_fleet_manager_goes_from_today_to_a_vehicle_to_the_plan(running, address):
        visitor = Visitor(running, address).opens("")
        visitor.reads("Of 4 vehicles, 1 should be looked at this week")
        visitor.reads("20 May 2031, 13:00 (Europe/Lisbon)")
        visitor.page.get_by_role("link", name=re.compile("V1 ▲ This week")).press("Enter")
        visitor.reads("has climbed 0.9 % a month since 12 March")
        visitor.goes_to("Work plan")
        visitor.reads("2 vehicles, 2 hours of work")
        plan = pl.read_csv(visitor.saves("Save table", "CSV"))
        assert plan["jobs"].to_list() == ["Check exhaust upstream", "'=Reset idle valve"]
        assert pl.read_parquet(visitor.saves("Save table", "Parquet"))["vehicle_id"].to_list() == ["V1", "V2"]
        assert visitor.saves("Save chart", "PNG").read_bytes().startswith(b"\x89PNG")
        drawn = ElementTree.parse(visitor.saves("Save chart", "SVG"))  # noqa: S314 (our own)
        assert drawn.getroot().tag.endswith("svg")

    def test_an_analyst_asks_in_sql_and_mails_the_address(running, address):
        visitor = Visitor(running, address).opens("query").clicks("How many vehicles of each depot need hands")
        visitor.reads("4 rows.").is_at("sql=SELECT")
        visitor.opens_again_elsewhere().reads("4 rows.")
        answer = pl.read_parquet(visitor.saves("Save table", "Parquet", place=-1))
        assert answer.height == 4
        assert answer.equals(pl.read_csv(visitor.saves("Save table", "CSV", place=-1)).cast(answer.schema))

    def test_a_workshop_owner_goes_from_what_comes_back_to_a_vehicle(running, address):
        visitor = Visitor(running, address).opens("recurring")
        visitor.reads("Upstream exhaust leaks at Saltings")
        visitor.presses("Repairs")
        visitor.picks("Outcome of repairs", "Not reset")
        visitor.is_at("verdict=Not+reset")
        visitor.clicks_first_vehicle(0).is_at("vehicle?vehicle=V2")
        visitor.reads("6 % below what this vehicle should read")

    def test_an_analyst_shares_what_was_picked_by_its_address(running, address):
        visitor = Visitor(running, address).opens("trends")
        visitor.picks("Correction", "Long-term fuel trim, bank 1, idle").presses("depot")
        visitor.reads("the median of Saltings (depot) rose by")
        visitor.is_at("by=depot")
        visitor.settles()
        assert visitor.opens_again_elsewhere().text() == visitor.text()

    def test_a_note_is_written_by_somebody_new_and_stands_in_other_sessions(running, own):
        address, store = own
        visitor = Visitor(running, address).opens("vehicle?vehicle=V1")
        page = visitor.page
        page.get_by_text("Write a note", exact=True).click()
        page.get_by_role("textbox", name="Note").fill("smoke on cold mornings <b>")
        page.get_by_role("combobox", name=re.compile("Your name")).last.fill("Anna Berg")
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Write it down").click()
        visitor.reads("Notes (1)").settles()
        entry = read_entries(store).row(0, named=True)
        assert (entry["value"], entry["vehicle_id"]) == ("smoke on cold mornings <b>", "V1")
        assert people(store) == {entry["who"]: "Anna Berg"}
        visitor.opens_again_elsewhere().reads("Notes (1)")

    def test_an_analyst_keeps_a_view_by_two_factors_and_another_opens_its_link(running, own):
        address, _ = own
        visitor = Visitor(running, address).opens("trends")
        visitor.picks("Correction", "Long-term fuel trim, bank 1, idle").presses("depot").picks("and by", "calibration")
        visitor.reads("of A · Saltings (calibration and depot) rose by")
        visitor.page.get_by_text("Save this view", exact=True).click()
        visitor.page.get_by_role("textbox", name="Name of the view").fill("idle <b> by depot")
        visitor.page.get_by_role("combobox", name=re.compile("Your name")).last.fill("Berg")
        visitor.page.keyboard.press("Enter")
        visitor.clicks("Keep this view").reads("Saved views (1)")
        said = re.search(r"Long-term fuel trim.*of all groups\.", visitor.text())
        other = Visitor(running, address).opens("trends?look=Two+groups&first=depot%3A+Saltings")
        assert not tools.hindrances(other.page)
        other.page.get_by_text("Saved views (1)", exact=True).click()
        other.page.get_by_role("link", name="idle <b> by depot", exact=True).click()
        other.is_at("and_by=calibration").reads(said[0]).settles()
        assert other.opens_again_elsewhere().reads(said[0]).page.url == other.page.url

    def test_at_the_vehicle_all_is_reached_and_entered_by_the_keyboard(running, own):
        address, store = own
        visitor = Visitor(running, address, width=820).opens("bay")
        visitor.tabs_to("Fleet number or VIN").types("V1", "Enter").reads("Read before you clear").settles()
        visitor.tabs_to("Long-term fuel trim, bank 1, idle").types("7.5").tabs_to("Your name").types("Bo Lind", "Enter")
        visitor.tabs_to("Enter the reading").types("Enter").reads("Entered. It counts with the next analysis").settles()
        visitor.tabs_to("What it found").types("Space").tabs_to("Enter what was found").types("Enter")
        visitor.reads("The causes below are weighed anew").settles()
        visitor.tabs_to("On which part").types("ArrowDown", "ArrowDown", "Enter")
        visitor.tabs_to("Learned values were set back").types("Space").tabs_to("Enter the work").types("Enter")
        visitor.reads("what went before as from before this work").settles()
        visitor.tabs_to("What kept it off the road").types("Space").tabs_to("Sign off").types("Enter").reads(
            "Signed off"
        )
        written = {entry["kind"]: entry for entry in read_entries(store).rows(named=True)}
        assert json.loads(written["reading"]["detail"])["ltft_b1_idle"] == 7.5
        work = json.loads(written["visit"]["detail"])
        assert work["component"]
        assert work["reset_done"] is True
        assert (written["check"]["vehicle_id"], written["safe"]["value"]) == ("V1", "signed_off")

    def test_a_distance_unit_goes_along_from_page_to_page(running, address):
        visitor = Visitor(running, address).opens("trends")
        visitor.page.get_by_role("button", name="Units, dates, time zone").click()
        visitor.presses("miles")
        visitor.page.keyboard.press("Escape")
        visitor.goes_to("Today").is_at("unit=miles")
