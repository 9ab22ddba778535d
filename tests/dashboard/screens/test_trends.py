"""The page of trends through the router: each look by its address, views and lists that are kept and removed."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from pipelines.store.entries import read_entries

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
IDLE = "Long-term fuel trim, bank 1, idle"


def opened(**selected) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.session_state[NAME] = "Anna Berg"  # as a session remembers it: AppTest cannot type a new option
    app.switch_page("screens/trends.py")
    for name, value in selected.items():
        app.query_params[name] = value
    return again(app)


def again(app: AppTest) -> AppTest:
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def text(app: AppTest) -> str:
    kinds = ("markdown", "caption", "info", "warning", "error", "success")
    said = [each.value for kind in kinds for each in getattr(app, kind)]
    return "\n".join(said).replace("\u00a0", " ").replace("\\", "")


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(
    ("selected", "said"),
    [
        ({"by": "depot", "and_by": "calibration"}, "(calibration and depot) rose by"),
        ({"look": "Spread at a date", "by": "depot"}, "stands lowest in Millrace"),
        ({"look": "Spread at a date", "values": "against its family"}, "was not read lately"),  # three vehicles
        ({"look": "With another correction"}, "3 vehicles, too few or too much alike to say"),
        ({"look": "Two groups"}, "Say what the vehicles of the first group are"),
        ({"look": "Two groups", "first": ["depot: Saltings"]}, "the two groups cannot be compared"),
    ],
)
def test_each_look_opens_by_its_address(selected, said):
    app = opened(correction=IDLE, **selected)
    assert said in text(app)
    assert not app.error


def test_a_view_is_kept_listed_and_removed(store):
    app = opened(correction=IDLE, look="Spread at a date", by="depot")
    next(each for each in app.text_input if each.label == "Name of the view").set_value("Idle by depot")
    next(each for each in app.button if each.label == "Keep this view").click()
    again(app)
    assert "Kept: Idle by depot." in text(app)
    (entry,) = read_entries(store).to_dicts()
    assert (entry["kind"], entry["value"]) == ("view", "Idle by depot")
    assert "look=Spread+at+a+date" in entry["detail"]
    assert "correction=Long-term+fuel+trim" in entry["detail"]
    app = opened()
    assert [each.label for each in app.expander if "Saved" in each.label] == ["Saved views (1)"]
    next(each for each in app.selectbox if each.label == "Remove").set_value("Idle by depot")
    next(each for each in app.button if each.label == "Remove it").click()
    assert "Removed: Idle by depot." in text(again(app))
    assert not [each for each in app.expander if "Saved views" in each.label]


@pytest.mark.usefixtures("store")
def test_a_list_of_vehicles_becomes_something_a_group_can_be():
    app = opened(look="Two groups")
    next(each for each in app.text_area if each.label == "Vehicles, one a line").set_value("V1\nV2")
    next(each for each in app.text_input if each.label == "Name of the list").set_value("spring")
    next(each for each in app.button if each.label == "Keep the list").click()
    assert "list: spring" in app.run().multiselect(key="first").options
