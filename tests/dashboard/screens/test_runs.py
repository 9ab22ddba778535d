"""The page 'How it runs': what was done, what failed with what to do, what is set; and only for whom it is."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import signed_in
from dashboard.roles import Person
from pipelines.upkeep.runs import begin, end

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def opened() -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("screens/runs.py")
    return app.run()


def said(app: AppTest) -> str:
    return "\n".join(
        each.value.replace("\u00a0", " ").replace("\\", "") for each in [*app.markdown, *app.warning, *app.caption]
    )


@pytest.mark.usefixtures("store")
def test_a_store_that_nothing_looks_after_says_so_with_the_command():
    app = opened()
    assert not app.exception
    assert "Nothing looks after this store by itself yet" in said(app)
    facts = app.dataframe[0].value
    assert dict(zip(facts["what"], facts["value"], strict=True))["Vehicles in the newest analysis"] == "4"
    assert any("leeway tend" in each.value for each in app.code)


def test_what_failed_is_said_with_its_reason_and_what_is_set_stands_there(store):
    (store.path / "settings.toml").write_text("[plan]\ndays = 9\n")
    number = begin(store.path, "backup", version="1", settings_digest="d")
    end(store.path, number, exit_code=2, said="b.backup: no room left. Free some.")
    app = opened()
    assert "1 thing is the matter." in said(app)
    assert "backup: failed with code 2: b.backup: no room left. Free some." in said(app)
    settings = app.dataframe[-1].value
    rows = dict(zip(settings["setting"], settings["value"], strict=True))
    assert rows["days"] in {"9", "7"}  # of the plan, and of backups
    assert "settings.toml" in said(app)


@pytest.mark.usefixtures("store")
def test_whoever_does_not_keep_the_service_is_told_who_does(monkeypatch):
    anna = Person(name="Anna", address="anna", roles=frozenset({"technician"}))
    monkeypatch.setattr(signed_in, "person", lambda: anna)
    assert "Seeing how the service runs is for keeper; anna is technician." in said(opened())
