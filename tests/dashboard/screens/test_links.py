"""Links keep what was picked: the state, the depot and how the reader reads, through the menu and to a vehicle."""

from datetime import timedelta
from pathlib import Path
from urllib.parse import parse_qs

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.views.address import KEPT_IN_MENU, PAGES, TO_PRINT
from pipelines.handover import Analysis
from pipelines.store.publish import publish

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
PICKED = {
    "as_of": "2031-05-20 12:00:00 UTC", "unit": "miles", "degrees": "Fahrenheit", "dates": "year first",
    "zone": "Pacific/Auckland", "depot": "Saltings", "family": "Rowan 2.0",
}  # fmt: skip


def opened(store, known_analysis) -> AppTest:
    """Today at an address that names all of it, of a store with a newer state."""
    known = known_analysis()
    tables = {name: table for name, table in known.tables.items() if name != "work_plan"}
    publish(store, Analysis(as_of=known.as_of + timedelta(days=7), tables=tables))
    app = AppTest.from_file(str(APP), default_timeout=60)
    for name, value in PICKED.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def test_every_link_of_the_menu_keeps_what_was_picked_and_the_page_shows_it(store, known_analysis):
    assert set(PICKED) == set(KEPT_IN_MENU)
    app = opened(store, known_analysis)
    links = {link.proto.page: parse_qs(link.proto.query_string) for link in app.get("page_link")}
    wanted = {name: [value] for name, value in PICKED.items()}
    assert {page: links[page] for page in PAGES} == dict.fromkeys(PAGES, wanted)
    words = " ".join(each.value for each in app.caption)
    assert "As of 2031-05-21, 00:00 (Pacific/Auckland). This is an older state" in words
    assert app.dataframe[0].value["vehicle_id"].to_list() == ["V1", "V3"]


def test_a_link_to_a_vehicle_names_the_state_and_one_to_print_the_whole_address(store, known_analysis):
    app = opened(store, known_analysis)
    by_label = {link.label: parse_qs(link.proto.query_string) for link in app.get("page_link")}
    [vehicle] = [query for label, query in by_label.items() if label.startswith("**V1**")]
    assert vehicle["vehicle"] == ["V1"]
    assert {name: vehicle[name] for name in ("as_of", "zone", "dates")} == {
        name: [PICKED[name]] for name in ("as_of", "zone", "dates")
    }
    assert by_label["Page to print"] == {name: [value] for name, value in PICKED.items()} | {TO_PRINT: ["yes"]}


@pytest.mark.usefixtures("store")
def test_a_depot_that_is_none_is_said_to_be_and_not_taken_for_all():
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.query_params["depot"] = "Nowhere"
    app.run()
    assert app.warning[0].value.replace("\\", "") == "Nowhere: no depot of this state. It is left out of the choice."


@pytest.mark.usefixtures("store")
def test_a_number_and_enter_open_a_vehicle_from_any_page():
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.text_input(key="go_to").set_value(" v2 ").run()
    assert not app.exception, [error.message for error in app.exception]
    assert app.title[0].value == "Vehicle V2"
    assert "go_to" not in [each.key for each in app.text_input]  # the page has a field of its own
    elsewhere = AppTest.from_file(str(APP), default_timeout=60).run()
    elsewhere.text_input(key="go_to").set_value("V9").run()
    assert elsewhere.title[0].value == "Vehicle V9"
    assert "Nearest numbers:" in [each.value for each in elsewhere.markdown]
