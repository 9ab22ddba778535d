"""A decision on a visit, entered on the plan's page, stands beside it at once, and the plan made again keeps to it."""

from pathlib import Path

from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from pipelines.store.entries import read_entries
from pipelines.store.published import read_published

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def press(app: AppTest, label: str) -> None:
    next(button for button in app.button if button.label == label).click()
    app.run()
    assert not app.exception, [error.message for error in app.exception]


def test_a_dismissed_visit_is_said_at_once_and_leaves_the_next_plan(store):
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.session_state[NAME] = "Anna"
    app.run()
    app.switch_page("screens/plan.py").run()
    next(each for each in app.selectbox if each.label == "Vehicle").set_value("V1").run()
    next(each for each in app.selectbox if each.label == "Decision").set_value("dismiss")
    press(app, "Enter the decision")
    assert any("Say why" in each.value for each in app.error)
    next(each for each in app.text_input if each.label == "Why, or what was found").set_value("sold")
    press(app, "Enter the decision")
    assert read_entries(store).select("vehicle_id", "kind", "value").rows() == [("V1", "visit", "dismiss")]
    assert "sold" in str(app.dataframe[0].value["decision"].tolist())
    press(app, "Plan again with what was decided")
    left = read_published(store, "plan_left_out")
    assert "V1" in left["vehicle_id"]
    assert "Dismissed" in left.filter(left["vehicle_id"] == "V1")["reason"][0]
