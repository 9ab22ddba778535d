"""What is withheld, on the page of what came in: the batch, its answers, and what a click writes."""

import shutil
from datetime import timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.entered import NAME
from dashboard.views.withheld import batches
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import entry_columns
from pipelines.entries.entry import Entry
from pipelines.store.entering import enter
from pipelines.store.entries import read_entries
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables
from tests.dashboard.conftest import AS_OF, rows
from tests.dashboard.screens.test_screens import APP, opened, text

BATCH = {
    "batch_id": "b1", "drop": "2031-04", "file": "snapshots-2031-04.csv", "depot": "Millrace", "correction": "*",
    "vehicles": 12, "readings": 48, "from_at": AS_OF - timedelta(days=50), "to_at": AS_OF - timedelta(days=21),
    "looks_like": "fraction", "answers": "convert|keep|leave_out", "decision": "open",
}  # fmt: skip
MISREAD = BATCH | {
    "batch_id": "b2",
    "answers": "keep|leave_out",
    "looks_like": "single misread values",
    "decision": "leave_out",
    "readings": 3,
}


@pytest.fixture
def store(known_store, tmp_path) -> Store:
    store = Store(shutil.copytree(known_store, tmp_path / "store"))
    held = rows("held_reading", BATCH, MISREAD).with_columns(vehicle_ids=pl.lit("V1 V2"), sure=pl.lit(900.0))
    history = pl.DataFrame({
        "batch_id": "b1", "vehicle_id": "V1", "read_at": [AS_OF - timedelta(days=d) for d in (60, 30)],
        "column_name": "ltft_b1_idle", "came": [3.1, 0.031], "converted": [None, 3.1], "held": [False, True],
    })  # fmt: skip
    publish_tables(store, {"held_reading": held, "held_history": history}, AS_OF)
    return store


def test_a_batch_is_shown_with_its_answers_and_a_click_is_an_entry_that_can_be_taken_back(monkeypatch, store):
    app = opened(monkeypatch, store.path, "drops")
    said = text(app)
    assert "1 batch of readings is withheld until decided; no figure rests on them." in said
    assert "3 readings with a misread value" in said
    assert "Several columns look like fractions in place of per cent. 48 readings of 12 vehicles of Millrace" in said
    assert "As good as certain" in said
    app.button(key="convert b1").click().run()
    assert "Say who decides" in text(app)
    assert read_entries(store).is_empty()
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.session_state[NAME] = "Kim"
    app.run()
    app.switch_page("screens/drops.py").run()
    app.button(key="convert b1").click().run()
    entry = read_entries(store).row(0, named=True)
    assert (entry["kind"], entry["subject"], entry["value"]) == ("held", "b1", "convert")
    assert "Decided: converted" in text(app)
    assert enter(store, [Entry(who="x", kind="held", subject="b2", value="convert")])[0].refusal is not None
    app.button(key="back b1").click().run()
    assert "As good as certain" in text(app)
    assert read_entries(store)["withdraws"].to_list() == [None, entry["entry_id"]]


@pytest.mark.parametrize(
    ("batch", "sentence"),
    [
        ({"looks_like": "exchanged with V2"}, "V1 and V2 look exchanged with each other."),
        (
            {"looks_like": "the history of V2"},
            "V1 and V2 reads the history of V2, which its module seems to have brought.",
        ),
        ({"looks_like": "old values repeated"}, "Old values look repeated, reading after reading."),
        ({"looks_like": "inHg", "correction": "baro_kpa"}, "Barometric pressure looks like inches of mercury."),
        (
            {"looks_like": "decimal point lost: ten times too large", "correction": "x"},
            "X looks ten times too large: a decimal point lost.",
        ),
    ],
)
def test_a_batch_says_what_it_looks_like_in_a_sentence(batch, sentence):
    held = rows("held_reading", BATCH | batch).with_columns(vehicle_ids=pl.lit("V1 V2"), sure=pl.lit(900.0))
    entries = pl.DataFrame(schema=entry_columns().schema)
    (shown,) = batches(held, pl.DataFrame(), entries, {}, Reader(as_of=AS_OF, zone=ZoneInfo("UTC")))
    assert shown.sentence.startswith(sentence)
