"""The page 'What came in' on a store with rows set aside, flags and a column in another unit."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.intake.load import load
from pipelines.store.exporting import protected
from pipelines.store.folder import Store
from pipelines.store.published import quarantined
from pipelines.store.quarantine_export import as_they_came

APP = Path(__file__).parents[3] / "dashboard" / "app.py"
SNAPSHOTS = """vehicle_id,read_at,battery_v,baro_kpa,ltft_b1_idle
V1,2031-01-02T08:00:00Z,12600,100,1.5
V1,2031-01-03T08:00:00Z,13100,100,lean
V1,2031-01-04T08:00:00Z,13300,100,1.5
V1,2031-01-05T08:00:00Z,14200,45,1.5
V1,2031-01-06T08:00:00Z,12.6,45,1.5
"""


@pytest.fixture
def page(tmp_path, monkeypatch) -> AppTest:
    (tmp_path / "drop").mkdir()
    (tmp_path / "drop" / "vehicles.csv").write_text("vehicle_id,engine_family\nV1,alder\n")
    (tmp_path / "drop" / "snapshots.csv").write_text(SNAPSHOTS)
    load(Store(tmp_path / "store"), [tmp_path / "drop"])
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "store"))
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("screens/drops.py").run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def test_flags_and_proposed_units_are_shown(page):
    said = "\n".join(each.value for each in page.markdown).replace("\\", "")
    assert "battery_v looks like mV: 3 readings in 1 file, the first snapshots.csv." in said.replace("\u00a0", " ")
    tables = [each.value for each in page.dataframe]
    assert [table["file"].to_list() for table in tables if "example" in table] == [["snapshots.csv"]]
    [flags] = [table for table in tables if "detail" in table and "vehicle_id" in table]
    assert set(flags["column_name"]) == {"baro_kpa", "battery_v"}


def test_what_the_download_holds_loads_again_once_it_is_mended(page, tmp_path):
    store = Store(tmp_path / "store")
    [(stem, frame)] = as_they_came(quarantined(store)).items()
    assert [each for each in page.get("download_button") if f"{stem}.csv" in each.proto.label]
    mended = protected(frame).write_csv().replace("12600", "12.6").replace("13300", "13.3").replace("14200", "14.2")
    (tmp_path / f"{stem}.csv").write_text(mended.replace("13100", "13.1").replace("lean", "2.5"), "utf-8-sig")
    assert load(store, [tmp_path / f"{stem}.csv"]).exit_code == 0
    assert quarantined(store).is_empty()
