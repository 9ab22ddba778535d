"""Every page run through the router on a small store whose sentences are known; empty stores; broken stores."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.address import PAGES
from pipelines.store.folder import Store
from pipelines.store.published import vehicle_snapshots

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


def opened(monkeypatch, store: Path, page: str, **selected: str) -> AppTest:
    """The page as its reader gets it at that address."""
    monkeypatch.setenv(STORE_VARIABLE, str(store))
    app = AppTest.from_file(str(APP), default_timeout=60)
    if page != "today":  # the first page; the others are known to the router once it ran
        app.run()
        app.switch_page(f"screens/{page}.py")
    for name, value in selected.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def text(app: AppTest) -> str:
    """Everything the page says in words, with plain blanks and without markup."""
    kinds = ("title", "subheader", "markdown", "caption", "info", "warning", "error")
    said = [each.value for kind in kinds for each in getattr(app, kind)]
    return "\n".join(said).replace("\u00a0", " ").replace("\\", "")


def test_today_says_who_needs_attention(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "today")
    assert "Of 4 vehicles, 1 should be looked at this week" in text(app)
    assert "As of 20 May 2031, 12:00 (UTC)." in text(app)
    assert "The forecast is unchecked" in text(app)
    assert "the setting allows one false alarm in 5 years" in text(app)
    table = app.dataframe[0].value
    assert table["vehicle_id"][0] == "V1"
    assert table["urgency"][0] == "▲ This week"
    assert table["chance_30"][0] == pytest.approx(41)


def test_today_opens_as_its_address_says(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "today", depot="Millrace", urgency="Plan it", unit="miles")
    assert app.multiselect(key="depot").value == ["Millrace"]
    assert app.dataframe[0].value["vehicle_id"].to_list() == ["V2"]


def test_one_vehicle_says_what_strays_why_and_what_to_check(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "vehicle", vehicle="V1")
    said = text(app)
    assert app.title[0].value == "Vehicle V1"
    assert "has climbed 0.9 % a month since 12 March; at this rate it meets its limit between 3 and 19 June." in said
    assert "robust distance of 6.1 is beyond that of over 99 %" in said
    assert "Within 30 days: 41 % (between 20 % and 62 %), most likely P0171." in said
    assert "Smoke test the cold exhaust." in said
    assert "Hot exhaust." in said
    assert "licensed technician" in said
    assert app.expander[0].label.startswith("70")


def test_another_correction_of_a_vehicle_is_a_link_away(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "vehicle", vehicle="V1", correction="Learned idle air, neutral")
    assert app.selectbox(key="correction").value == "iac_neutral"


def test_a_vehicle_that_is_not_there_is_said_to_be_missing(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "vehicle", vehicle="V9")
    said = text(app)
    assert app.title[0].value == "Vehicle V9"
    assert "It is not in this state" in said
    assert "Nearest numbers" in said
    assert "vehicle" not in [box.key for box in app.selectbox]


def test_a_number_in_small_letters_is_the_vehicle(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "vehicle", vehicle="v2")
    assert app.title[0].value == "Vehicle V2"


def test_a_vehicle_hardly_read_still_has_a_page(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "vehicle", vehicle="V4")
    assert "Too little was read of this vehicle to say anything." in text(app)


def test_recurring_says_issue_and_outcome_of_repairs(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "recurring")
    assert "3 times the rate of the rest of the fleet (between 1.6 and 5.1): 1.2 in 100 vehicle-months" in text(app)
    app = opened(monkeypatch, known_store, "recurring", part="Repairs", verdict="Not reset")
    assert app.dataframe[0].value["vehicle_id"].to_list() == ["V2"]
    app = opened(monkeypatch, known_store, "recurring", part="Calibrations and modules")
    assert "No reading says which calibration a module has" in text(app)


def test_the_work_plan_shows_jobs_by_day_and_bay(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "plan", day="Monday 26 May 2031")
    assert "2 vehicles, 2 hours of work from 22 May to 26 May" in text(app)
    assert "Millrace, bay 2" in text(app)
    assert "Saltings, bay 1" not in text(app)
    assert app.dataframe[0].value["jobs"].to_list() == ["Check exhaust upstream", "'=Reset idle valve"]


def test_trends_compare_groups_of_one_correction(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "trends", correction="Long-term fuel trim, bank 1, idle", by="depot")
    assert "Long-term fuel trim, bank 1, idle: 1 vehicle of 3 strays today." in text(app)
    assert "the median of Saltings (depot) rose by" in text(app)
    standing = next(each.value for each in app.dataframe if "vehicle_id" in each.value)
    assert standing["vehicle_id"][0] == "V1"


def test_what_an_event_did_is_asked_for_by_the_address(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "before_after", correction="Long-term fuel trim, bank 1, idle")
    assert app.selectbox(key="correction").value == "ltft_b1_idle"
    assert "Nothing of that kind is on record" in text(app) or "peers without one" in text(app)


def test_vehicles_unlike_their_peers_are_shown_with_reasons_and_where_the_two_ways_disagree(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "peers")
    assert "1 of 3 vehicles is unlike its peers. By chance alone fewer than one" in text(app)
    assert "1 vehicle is called an outlier by the robust distance only" in text(app)
    rows = app.dataframe[0].value
    assert rows["agreement"].to_list() == ["■ By both", "◆ By the distance only", "● By neither"]
    assert rows["reasons"][0].startswith("Long-term fuel trim, bank 1, idle (90")


def test_a_forecast_never_checked_is_said_to_be_with_the_command_that_checks_it(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "trust")
    assert "no backtest was run yet" in text(app)
    assert app.code[0].value.startswith("leeway backtest")


def test_the_drops_page_says_what_came_in_and_what_was_set_aside(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "drops")
    assert "185 rows came in from 3 files; 1 row was set aside" in text(app)
    assert app.dataframe[1].value["column_name"].to_list() == ["read_at"]
    assert app.dataframe[2].value["row_number"].to_list() == [182]


@pytest.mark.parametrize("page", [page for page in PAGES if page not in {"explain", "begin", "runs"}])
def test_without_a_store_every_page_says_how_to_begin(monkeypatch, tmp_path, page):
    app = opened(monkeypatch, tmp_path / "none", page)
    assert "There is no store at" in text(app)
    assert "leeway demo" in app.code[0].value


@pytest.mark.parametrize("page", [page for page in PAGES if page not in {"drops", "explain", "begin", "runs"}])
def test_a_store_that_was_never_analysed_names_the_command(monkeypatch, loaded_store, page):
    app = opened(monkeypatch, loaded_store, page)
    assert "nothing was analysed yet" in text(app)
    assert app.code[0].value.startswith("leeway analyse")


def test_how_to_begin_is_told_with_and_without_a_store(monkeypatch, known_store, tmp_path):
    for place in (known_store, tmp_path / "none"):
        app = opened(monkeypatch, place, "begin")
        assert "leeway analyse --store" in app.code[0].value
        assert app.dataframe[0].value["read"].to_list()[1] == "every week"
    assert "one false alarm in 10 years" in text(app)


def test_a_damaged_store_is_one_plain_line(monkeypatch, tmp_path):
    (tmp_path / "state-000001.duckdb").write_bytes(b"not a database")
    (tmp_path / "current").write_text("state-000001.duckdb\n", encoding="ascii")
    assert "leeway store restore" in text(opened(monkeypatch, tmp_path, "today"))


def test_a_foreign_file_is_drafted_and_previewed_with_units_and_nothing_is_written(monkeypatch, known_store, tmp_path):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    beside = sorted(known_store.parent.rglob("*"))
    app = opened(monkeypatch, known_store, "drops")
    log = b"vehicle_id;read_at;battery_v [mV]\nV1;20.05.2031 08:00;12600\n"
    app.file_uploader(key="foreign").set_value(("reader log.csv", log, "text/csv")).run()
    assert 'to = "battery_v"' in app.text_area[0].value
    columns = {row["to"]: row for row in app.dataframe[4].value.to_dict("records")}
    assert (columns["battery_v"]["unit"], columns["battery_v"]["store_unit"]) == ("mV", "V")
    assert float(columns["battery_v"]["becomes"]) == pytest.approx(12.6)
    assert app.code[0].value.startswith("leeway load 'reader log.csv' --mapping reader_log.mapping.toml --store ")
    assert app.get("download_button")[-1].proto.label == "Download the mapping"
    assert sorted(known_store.parent.rglob("*")) == beside
    assert not list(tmp_path.iterdir())


def test_a_file_is_asked_about_and_loaded_while_there_is_no_store(monkeypatch, tmp_path):
    app = opened(monkeypatch, tmp_path / "new", "drops")
    sheet = b"Datum;LTFT Bank 1 (%)\n03.02.2026;1,6\n10.02.2026;2,3\n"
    app.file_uploader(key="foreign").set_value(("busje.csv", sheet, "text/csv")).run()
    assert "No column is known to name the vehicle" in text(app)
    app.text_input[0].set_value("V-12")
    app.button[0].click().run()
    app.button(key="load_it").click().run()
    assert "2 loaded" in text(app)
    assert vehicle_snapshots(Store(tmp_path / "new"), "V-12")["ltft_b1"].to_list() == pytest.approx([1.6, 2.3])


def test_a_mapping_that_cannot_be_is_explained(monkeypatch, known_store):
    app = opened(monkeypatch, known_store, "drops")
    app.file_uploader(key="foreign").set_value(("log.csv", b"vehicle_id,read_at\nV1,2031-05-20\n", "text/csv")).run()
    app.text_area[0].set_value("table = 'nothing'").run()
    assert "is none of" in text(app)


def test_a_word_has_an_address_and_one_that_is_none_is_said_to_be(monkeypatch, tmp_path):
    app = opened(monkeypatch, tmp_path / "none", "explain", word="leeway")
    assert app.code[0].value.startswith("leeway: The share of a correction's authority")
    assert "family: Engines that are compared" in "".join(each.label for each in app.get("page_link"))
    app = opened(monkeypatch, tmp_path / "none", "explain", word="leewax")
    assert "'leewax' is not known. Near it: leeway" in app.warning[0].value.replace("\\", "")
