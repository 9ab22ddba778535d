from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.causes.freeze_frames import frame_of, frames, known, log_frame_ratio, log_frame_ratios
from pipelines.causes.hypotheses import hypotheses
from pipelines.causes.knowledge import causes
from pipelines.causes.ranking import rank_causes

from .conftest import AS_OF, V6, as_drift, plant
from .test_ranking import event

SPOKEN = pl.DataFrame({"vehicle_id": ["van-1"], "code": ["P0171"]})


def fault(days=1.0, code="P0171", **frozen):
    return {"vehicle_id": "van-1", "read_at": AS_OF - timedelta(days=days), "code": code, **frozen}


@pytest.mark.parametrize(
    ("frozen", "load", "cold"),
    [
        ({"ff_engine_load": 22.0, "ff_coolant_temp": 31.0}, "idle", True),
        ({"ff_load_pct": 45.0}, "part", None),
        ({"ff_engine_load": 80.0, "ff_ect": 88.0}, "high", False),
        ({"ff_rpm": 780.0, "ff_vehicle_speed": 0.0}, "idle", None),
        ({"ff_engine_load": 24.0, "ff_rpm": 2600.0, "ff_vehicle_speed": 70.0}, "part", None),  # coasting is no idle
        ({"ff_timing": 12.0}, None, None),
    ],
)
def test_the_conditions_under_whichever_name_they_come(frozen, load, cold):
    frame = frame_of(fault(**frozen))
    assert (frame.load, frame.cold) == (load, cold)


def test_the_newest_frame_of_a_code_that_speaks_counts():
    faults = pl.DataFrame(
        [
            fault(days=9, ff_engine_load=80.0),
            fault(days=2, code="P0171-00", ff_engine_load=20.0),
            fault(days=1, ff_engine_load=None),
            fault(code="P0420", ff_engine_load=50.0),
        ]
    )
    (found,) = frames(faults, SPOKEN)["van-1"]
    assert (found.code, found.words()) == ("P0171", "at idle")
    assert frames(faults.drop("ff_engine_load"), SPOKEN) == {}


def test_a_frame_speaks_only_of_causes_that_name_its_code_and_says_no_more_than_it_may():
    laid_out = hypotheses(("ltft_b1_idle", "ltft_b1_high", "o2_heater_b1"), V6)
    frame = frame_of(fault(ff_engine_load=22.0))
    (told,) = log_frame_ratios(("van-1",), {"van-1": [frame]}, laid_out)
    by_cause = {h.cause.id: ratio for h, ratio in zip(laid_out, told, strict=True)}
    assert by_cause["unmetered_air"] > 0 > by_cause["fuel_delivery_weak"]
    assert by_cause["o2_heater_weak"] == 0
    assert np.abs(told).max() <= known()["weight"]["most"]


def test_the_knowledge_is_of_causes_and_its_shares_are_shares():
    assert set(known()["cause"]) <= set(causes())
    for shares in [known()["any"], *known()["cause"].values()]:
        loads = [shares[load] for load in ("idle", "part", "high") if load in shares]
        assert not loads or sum(loads) == pytest.approx(1.0)
        assert all(0 < share < 1 for share in shares.values())
    assert log_frame_ratio(frame_of(fault(ff_engine_load=22.0)), "catalyst_aged") == 0


def test_a_frame_parts_causes_that_the_readings_leave_open(healthy, evidence, history):
    codes = ("ltft_b1", "ltft_b2")  # without a region
    said = {}
    for load in (22.0, 80.0):
        family = healthy(codes=codes)
        plant(family, "fuel_delivery_weak", "weak", severity=0.5)
        faults = pl.DataFrame([fault(ff_engine_load=load)])
        known_now = evidence(("van-1",), faults=faults)
        ranking = rank_causes(as_drift(family), evidence=known_now, history=history(event("van-1", "P0171")))
        said[load] = {row["cause"]: row for row in ranking.to_dicts()}
    weak = [said[load]["fuel_delivery_weak"]["probability"] for load in (22.0, 80.0)]
    assert weak[1] > 1.2 * weak[0]
    assert "P0171 set at high load, which speaks for it." in said[80.0]["fuel_delivery_weak"]["evidence"]
    assert "P0171 set at idle, which speaks against it." in said[22.0]["fuel_delivery_weak"]["evidence"]
