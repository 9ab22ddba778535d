"""From a file to the sentence on the pages while there is no store, as somebody walks it there. About 6 s."""

import sys
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import analysing
from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.errors import StoreError

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from first_sources import SOURCES

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


@pytest.fixture
def page(monkeypatch, tmp_path) -> AppTest:
    """The page What came in, with no store behind it."""
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "new"))
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.run()
    app.switch_page("screens/drops.py")
    return app.run()


def said(app: AppTest) -> str:
    assert not app.exception, [error.message for error in app.exception]
    kinds = ("markdown", "caption", "info", "warning", "error")
    words = "\n".join(each.value for kind in kinds for each in getattr(app, kind))
    return words.replace("\u00a0", " ").replace("\\", "")


def hand_over(app: AppTest, name: str, content: bytes) -> AppTest:
    return app.file_uploader(key="foreign").set_value((name, content, "application/octet-stream")).run()


def test_a_workshops_export_becomes_the_sentence_in_two_presses(page, tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(
        "dashboard.screens.analyse_now.analysed", lambda store: asked.append(store) or ["LKW-15 is drifting."]
    )
    SOURCES["messwerte.csv"](tmp_path / "messwerte.csv")
    hand_over(page, "messwerte.csv", (tmp_path / "messwerte.csv").read_bytes())
    page.button(key="load_it").click().run()
    assert "84 loaded" in said(page)
    page.button(key="analyse_now").click().run()
    assert asked == [tmp_path / "new"]
    assert "LKW-15 is drifting." in said(page)


def test_logs_in_folders_are_handed_over_together_and_what_is_unlike_them_is_named(page, tmp_path):
    SOURCES["logs"](tmp_path / "logs")
    logs = sorted((tmp_path / "logs").rglob("*.csv"))[::12]
    named = [(path.relative_to(tmp_path).as_posix(), path.read_bytes(), "text/csv") for path in logs]
    vehicles = {path.parent.name for path in logs}
    assert len(vehicles) > 1
    page.file_uploader(key="foreign").set_value([("about.txt", b"orders\n\n1\n", "text/plain"), *named]).run()
    assert f"{len(logs)} of {len(logs) + 1} files are read as logs/" in said(page)
    assert "Unlike it, and left out: about.txt." in said(page)
    page.button(key="load_it").click().run()
    assert f"{len(logs)} files: {len(logs)} rows loaded" in said(page)
    assert f"{len(vehicles)} vehicles are compared as one engine family" in said(page)


def test_a_stream_with_objects_in_it_is_loaded_without_a_question(page, tmp_path):
    SOURCES["telemetry.ndjson"](tmp_path / "telemetry.ndjson")
    hand_over(page, "telemetry.ndjson", (tmp_path / "telemetry.ndjson").read_bytes())
    page.button(key="load_it").click().run()
    assert "80 loaded" in said(page)


def test_a_file_without_dates_offers_what_can_be_said_without_and_no_made_up_one(page, tmp_path):
    hand_over(page, "vans.csv", b"Van,LTFT B1 (%)\nV1,2.3\nV3,19.5\n")
    assert len(page.radio[0].options) == 3
    assert not any("last written" in option for option in page.radio[0].options), "of an upload nobody knows"
    page.button[0].click().run()
    assert "V3: Long-term fuel trim, bank 1 reads 19.5 %, far from neutral" in said(page)
    assert not (tmp_path / "new").exists()


def test_an_analysis_that_cannot_be_made_says_why(tmp_path):
    with pytest.raises(StoreError, match=r"The analysis was not made: .*no store"):
        analysing.analysed(tmp_path / "none")
