"""Every page on stores that the pipelines really made: the demo fleet, the open standard alone, a foreign catalogue."""

import importlib.util
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import one_vehicle
from dashboard.demo import make_demo
from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.address import PAGES
from dashboard.views.judged import as_judged
from pipelines.analyse import analyse
from pipelines.intake.load import load
from pipelines.planning import newest_papers
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.publish import publish
from pipelines.store.published import read_published

spec = importlib.util.spec_from_file_location("one_truth", Path(__file__).parents[1] / "one_truth.py")
assert spec is not None
assert spec.loader is not None
rules = importlib.util.module_from_spec(spec)
spec.loader.exec_module(rules)
APP = Path(__file__).parents[3] / "dashboard" / "app.py"
TURBOFAN = os.environ.get("LEEWAY_TURBOFAN")
MIDLIFE = datetime(2031, 1, 15, tzinfo=UTC)  # half of these engines still run; at their last reading hardly any does
INPUTS = ["full set", "open standard", *(["turbofan"] if TURBOFAN else [])]
SAID = {  # page -> a word that stands on it whatever the fleet is like
    "today": "Of ",
    "vehicle": "Chance of a fault",
    "recurring": "back",
    "plan": "plan",
    "trends": "Over the last eight weeks",
    "peers": "unlike",
    "trust": "no backtest was run yet",
    "drops": "came in from",
    "bay": "What is most urgent",
    "query": "Ask what no page says",
    "runs": "Nothing looks after this store by itself yet",
    "explain": "Where to begin",
    "begin": "How often to read",
    "before_after": "",  # what it says depends on what happened
}


@pytest.fixture(scope="session", params=INPUTS)
def store(request, tmp_path_factory) -> Store:
    made = Store(tmp_path_factory.mktemp("input") / "store")
    if request.param == "turbofan":
        load(made, [Path(str(TURBOFAN))])
        publish(made, analyse(read_evidence(made, as_of=MIDLIFE), settings=Settings()))
    else:
        only = request.param == "open standard"
        make_demo(made, vehicles=12, weeks=24, seed=3, open_standard_only=only, say=lambda _: None)
    return made


@pytest.mark.parametrize("page", PAGES)
def test_every_page_says_what_it_is_for(monkeypatch, store, page):
    monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    app = AppTest.from_file(str(APP), default_timeout=90).run()
    app.switch_page(f"screens/{page}.py").run()
    assert not app.exception, [error.message for error in app.exception]
    assert not app.error
    said = "\n".join(each.value for kind in ("subheader", "markdown", "info") for each in getattr(app, kind))
    assert SAID[page] in said.replace("\u00a0", " ")


def test_a_vehicles_chart_and_reasoning_come_from_what_the_analysis_kept(monkeypatch, store):
    monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    app = AppTest.from_file(str(APP), default_timeout=90).run()
    app.switch_page("screens/vehicle.py").run()
    parts = app.table[0].value
    assert parts["Part"].to_list()[:5] == ["Family centre", "Season", "Own offset", "Relearning", "Expected"]
    assert "\N{EN DASH}" not in parts["Figure"].to_list()[:5]


def test_pages_papers_and_digest_say_the_same_of_every_vehicle(monkeypatch, store):
    monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    pages = rules.Pages.of(store)
    assert rules.contradictions(pages) == []
    cards = {card["vehicle"]: card for card in newest_papers(store).cards} if pages.plan is not None else {}
    for told in pages.told():
        if told.visit is not None:
            card = cards[told.vehicle_id]
            assert (card["date"], card["reason"]) == (told.visit["day"].isoformat(), told.visit["reason"])
            assert not told.strays or card["causes"][0]["title"].startswith(told.causes[0].name)
        if told.strays or told.visit is not None:
            lead = told.states.row(0, named=True)
            drawn = as_judged(
                one_vehicle.correction_path(told.vehicle_id, lead["correction"], pages.reader.as_of), lead
            )
            last = drawn.drop_nulls("expected").row(-1, named=True)
            for name in ("expected", "band_low", "band_high"):
                assert last[name] == pytest.approx(lead[name], rel=1e-4, abs=1e-4)


if TURBOFAN:

    @pytest.mark.parametrize("store", ["turbofan"], indirect=True)
    def test_run_to_failure_records_name_no_cause_no_verdict_and_no_finding(store):
        told = {name: read_published(store, name) for name in ("cause_ranking", "repair_outcome", "recurring_issue")}
        assert told["cause_ranking"]["cause"].unique().to_list() == ["none_of_these"]
        assert told["repair_outcome"].is_empty()
        assert told["recurring_issue"].is_empty()
