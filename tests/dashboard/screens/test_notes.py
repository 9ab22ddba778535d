"""Notes written on a page stand on it at once, for every session; a damaged record hides no published table."""

from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from pipelines.entries.entry import Entry
from pipelines.store.entering import enter
from pipelines.store.entries import entries_file, people, read_entries

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def opened(page: str, *, name: str = "") -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    if name:
        app.session_state[NAME] = name  # as a session remembers it: AppTest cannot type a new option
    app.run()
    app.switch_page(f"screens/{page}.py").run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def field(kind, label):
    return next(each for each in kind if each.label == label)


def write(app: AppTest, text: str) -> AppTest:
    field(app.text_area, "Note").set_value(text)
    next(button for button in app.button if button.label == "Write it down").click()
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def said(app: AppTest) -> str:
    kinds = (app.caption, app.success, app.error, app.warning)
    return "\n".join(each.value for kind in kinds for each in kind).replace("\u00a0", " ").replace("\\", "")


@pytest.mark.parametrize(("page", "about"), [("vehicle", "V1"), ("trends", "fleet"), ("recurring", "fleet")])
def test_a_note_written_on_a_page_stands_on_it_at_once_and_in_other_sessions(store, page, about):
    app = write(opened(page, name="Anna Berg"), "![x](http://example.invalid) *new* fuel")
    assert "Written down." in said(app)
    (row,) = read_entries(store).rows(named=True)
    assert row["vehicle_id" if page == "vehicle" else "subject"] == about
    assert people(store)[row["who"]] == "Anna Berg"
    if page == "recurring":  # beside the findings, on the time axis
        assert any("new* fuel" in str(chart.proto) for chart in app.get("vega_lite_chart"))
    assert field(app.text_area, "Note").value == ""
    for session in (app, opened(page)):
        assert any("new* fuel" in str(table.value.to_dict()) for table in session.dataframe)
    again = write(app, "another")  # the name is remembered
    assert "Written down." in said(again)
    assert read_entries(store)["who"].n_unique() == 1


def test_a_note_without_text_or_name_is_not_entered_and_says_why(store):
    app = write(opened("vehicle", name="Anna"), " ")
    assert "The note is empty" in said(app)
    assert "Say who writes" in said(write(opened("vehicle"), "text"))
    assert read_entries(store).is_empty()


def test_a_page_says_what_counts_with_the_next_analysis(store):
    assert "next analysis" not in said(opened("vehicle"))
    enter(store, [Entry(who="a", kind="reading", vehicle_id="V1", detail='{"read_at": "2031-05-19T08:00:00Z"}')])
    assert "1 entry made since then: it counts with the next analysis." in said(opened("vehicle"))


def test_a_decision_on_a_visit_is_said_at_once(store):
    put_off = Entry(who="berg", kind="visit", vehicle_id="V1", value="put_off", until=date(2031, 6, 1))
    enter(store, [put_off])
    shown = [each.value.replace("\u00a0", " ").replace("\\", "") for each in opened("vehicle").markdown]
    assert any(said.startswith("The visit is put off until 1 June (berg, ") for said in shown)


def test_a_damaged_record_is_one_line_and_what_was_published_is_shown(store):
    file = entries_file(store)
    file.parent.mkdir()
    file.write_bytes(b"no record at all " * 300)
    app = opened("vehicle")
    assert f"{file}: damaged" in said(app)
    assert "Restore a backup" in said(app)
    assert app.title[0].value == "Vehicle V1"
