"""A finding is assigned, noted on and closed on its page, and what was entered stands beside it at once."""

from pathlib import Path

from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from pipelines.store.entries import read_entries

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def enters(app, value, *, to=None, text=""):
    next(each for each in app.selectbox if each.label == "Work on it").set_value(value)
    if to:
        next(each for each in app.text_input if each.label == "Who looks after it").set_value(to)
    next(each for each in app.text_input if each.label == "Note, or why it is closed").set_value(text)
    next(button for button in app.button if button.label == "Enter it").click()
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def words(app):
    return "\n".join(each.value for kind in (app.markdown, app.error, app.info) for each in kind).replace("\u00a0", " ")


def test_a_finding_is_assigned_noted_on_and_closed(store):
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.session_state[NAME] = "Anna"
    app.run()
    app.switch_page("screens/recurring.py").run()
    assert "Say who is to look after it" in words(enters(app, "assign")).replace("\\", "")
    enters(app, "assign", to="Anna")
    assert "Assigned to Anna by Anna" in words(app)
    enters(app, "note", text="hoses split at the bend")
    assert "hoses split at the bend" in words(app)
    enters(app, "close", text="kit fitted")
    assert "All that was found is closed" in words(app).replace("\\", "")
    assert "kit fitted" in words(app)
    assert read_entries(store).select("kind", "subject", "value").rows() == [
        ("finding", "a", "assign"), ("note", "Saltings", "hoses split at the bend"), ("finding", "a", "close"),
    ]  # fmt: skip
