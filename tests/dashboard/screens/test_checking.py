"""A check's result, entered on the vehicle's page, changes the causes at once and stays; about two seconds."""

from pathlib import Path

from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from pipelines.store.entries import read_entries

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def page(app: AppTest) -> str:
    assert not app.exception, [error.message for error in app.exception]
    return "\n".join(each.value for each in app.markdown) + "\n".join(each.label for each in app.expander)


def test_a_result_is_entered_and_the_causes_are_weighed_anew(store):
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.session_state[NAME] = "Anna"
    app.query_params["vehicle"] = "V1"
    app.run()
    app.switch_page("screens/vehicle.py").run()
    before = page(app)
    assert "Check next:" in before
    assert "70" in before
    next(each for each in app.selectbox if each.label == "Check that was done").set_value("smoke_exhaust").run()
    enter = next(button for button in app.button if button.label == "Enter what was found")
    enter.click()
    app.run()
    assert any("Pick what the check found" in each.value for each in app.error)
    next(each for each in app.radio if each.label == "What it found").set_value("escapes")
    next(button for button in app.button if button.label == "Enter what was found").click()
    app.run()
    after = page(app)
    assert read_entries(store).select("vehicle_id", "kind", "subject", "value").rows() == [
        ("V1", "check", "smoke_exhaust", "escapes")
    ]
    assert "Smoke test the cold exhaust: smoke escapes before the sensor" in after.replace("\\", "")
    assert "99" in after
    app.switch_page("screens/today.py").run()
    row = app.dataframe[0].value.set_index("vehicle_id").loc["V1"]
    assert row["cause"].startswith("Exhaust leak")
    assert row["cause_probability"] > 90
