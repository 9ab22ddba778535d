"""A store that goes on under an open page: what is half done is never shown, what is whole at a click."""

from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from pipelines.handover import Analysis
from pipelines.intake.load import load
from pipelines.store.publish import publish, publish_tables

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
LATER = timedelta(days=7)


def said(app: AppTest) -> str:
    assert not app.exception, [error.message for error in app.exception]
    texts = [each.value for kind in ("markdown", "caption", "info") for each in app.get(kind)]
    return " ".join(texts).replace("\N{NO-BREAK SPACE}", " ").replace("\\", "")


@pytest.mark.parametrize("page", ["today", "vehicle", "plan"])
def test_a_page_stays_whole_while_the_store_goes_on_and_shows_the_newer_state_then(store, known_analysis, page):
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page(f"screens/{page}.py")
    before = said(app.run())
    assert "As of 20 May 2031" in before
    with suppress(ZeroDivisionError), store.writing("a load that is not done") as connection:
        connection.execute("DELETE FROM vehicles")
        assert said(app.run()) == before
        raise ZeroDivisionError
    assert said(app.run()) == before
    known = known_analysis()
    later = Analysis(as_of=known.as_of + LATER, tables={n: t for n, t in known.tables.items() if n != "work_plan"})
    publish(store, later)
    publish_tables(store, {"work_plan": known.tables["work_plan"]}, later.as_of)
    after = said(app.run())
    assert "As of 27 May 2031" in after
    app.selectbox(key="as_of").select("2031-05-20 12:00:00 UTC").run()
    assert "This is an older state" in said(app)


def test_rows_that_came_in_since_are_told_of_until_they_are_analysed(store, known_drop, tmp_path):
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    assert "came in since" not in said(app)
    drop = known_drop(tmp_path / "2031-06")
    text = (drop / "snapshots.csv").read_text("utf-8").replace("V1,2031-05-18", "V1,2031-06-18")
    (drop / "snapshots.csv").write_text(text, "utf-8")
    load(store, [drop])
    assert "1 row came in since and count" in said(app.run()) or "rows came in since" in said(app)


def test_an_open_page_says_by_itself_that_newer_data_are_there(store):
    def drawn_at(version: int) -> None:
        from dashboard.screens import frame  # noqa: PLC0415 - runs as a page of its own

        frame._newer(version)

    then = AppTest.from_function(drawn_at, kwargs={"version": store.version() - 1}).run()
    assert "Newer data are there." in said(then)
    assert then.button(key="newer").label == "Show them"
    assert said(AppTest.from_function(drawn_at, kwargs={"version": store.version()}).run()) == ""


def test_today_tells_what_is_new_since_the_analysis_before_and_since_a_week_ago(store, known_analysis):
    known = known_analysis()
    tables = {name: table for name, table in known.tables.items() if name != "work_plan"}
    calm = tables["correction_state"].with_columns(alarm=pl.col("alarm") & (pl.col("vehicle_id") == "V1"))
    for days, states in ((6, tables["correction_state"]), (7, calm)):
        publish(
            store, Analysis(as_of=known.as_of + timedelta(days=days), tables={**tables, "correction_state": states})
        )
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    said(app)
    labels = [each.label for each in app.expander]
    assert any(label.startswith("Whole fleet. Since 26 May: alarms that closed (1)") for label in labels)
    assert any(label.startswith("Whole fleet. Since 20 May: alarms that closed (1)") for label in labels)
