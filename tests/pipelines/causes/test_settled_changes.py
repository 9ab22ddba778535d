"""What settled harmlessly by itself harms where the vehicle's likeliest cause would move it so."""

from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.causes.settled_changes import with_causes_heard
from pipelines.handover import SETTLED_CHANGES, Drift
from pipelines.resume import correction_states
from pipelines.settings import Settings

CODE, SIGMA, SIZE = "ltft_b1_high", 0.5, 2.0
CAME = datetime(2031, 1, 3, tzinfo=UTC)


@pytest.fixture
def heard(healthy, evidence, monkeypatch):
    """Function: correction, size of its change and the vehicle's ranking -> the row before and after."""

    def run(*, size=SIZE, cause="fuel_delivery_weak", probability=0.7, states_alone=False):
        family = healthy()
        table = published_tables()["correction_state"]
        steady = {
            "vehicle_id": "van-1", "correction": CODE, "state": "steady", "expected": 1.0 + size, "deviation": 0.1,
            "band_low": size - 0.5, "band_high": size + 2.5, "z": 0.2, "alarm": False, "changed_at": CAME,
            "leeway_pct": 80.0, "held": False,
        }  # fmt: skip
        states = pl.concat([table.empty(), pl.DataFrame([steady])], how="diagonal_relaxed").cast(table.schema)
        changes = pl.DataFrame(
            {"vehicle_id": ["van-1"], "correction": [CODE], "size": [size], "sigma": [SIGMA]}, schema=SETTLED_CHANGES
        )
        ranking = pl.DataFrame(
            {
                "vehicle_id": "van-1", "cause": [cause, "none_of_these"], "bank": [None, None],
                "cylinder": [None, None], "probability": [probability, 1 - probability], "rank": [1, 2],
            },
            schema_overrides={"bank": pl.Int64, "cylinder": pl.Int64},
        )  # fmt: skip
        drift = Drift(families=(family,), correction_state=states, settled_changes=changes)
        known = evidence(("van-1",))
        after = with_causes_heard(drift, ranking, evidence=known).correction_state
        if states_alone:
            monkeypatch.setattr(correction_states, "first_stages", lambda *_, **__: (None, drift))
            after = correction_states.correction_states_since(
                None, known, settings=Settings(), keep=lambda _: None, put=lambda *_: None, ranked_before=ranking
            )
        assert after.schema == states.schema
        return states.row(0, named=True), after.row(0, named=True)

    return run


def test_a_change_that_the_cause_makes_is_outside_the_band_from_before_and_in_alarm_since_it_came(heard):
    before, after = heard()
    assert (after["state"], after["alarm"], after["alarm_at"], after["changed_at"]) == ("outside", True, CAME, None)
    assert after["expected"] == pytest.approx(before["expected"] - SIZE)
    assert after["expected"] + after["deviation"] == pytest.approx(before["expected"] + before["deviation"])
    assert after["expected"] + after["deviation"] > after["band_high"]
    assert after["z"] == pytest.approx(after["deviation"] / SIGMA)
    assert after["leeway_pct"] == before["leeway_pct"]


def test_states_alone_hear_the_causes_of_the_analysis_before(heard):
    assert heard(states_alone=True)[1] == heard()[1]


@pytest.mark.parametrize(
    "case",
    [
        {"size": -SIZE},  # to the other side
        {"size": 1.0},  # inside the band from before
        {"probability": 0.4},  # another is likelier
        {"cause": "thermostat_open"},  # leaves this correction alone
    ],
)
def test_other_changes_stay_the_new_normal(heard, case):
    before, after = heard(**case)
    assert after == before
