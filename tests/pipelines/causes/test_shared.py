from datetime import UTC

import numpy as np
import polars as pl
import pytest

from pipelines.bands.moved import MOVED
from pipelines.causes.ranking import NONE, rank_causes

from .conftest import as_drift, plant

IDS = tuple(f"van-{n:02}" for n in range(24))
STAYED, ILL = 18, 0


@pytest.fixture
def tank(healthy):
    """One depot of 24 vehicles: bad fuel reached 18 of them; one of these has a weak ignition, too. All in alarm."""

    def build(variant="lean", *, reached=STAYED):
        family = healthy(IDS)
        for v in range(reached):
            plant(family, "fuel_contaminated", variant, severity=0.3 + 0.01 * v, vehicle=v)
        plant(family, "ignition_weak", "one_cylinder", severity=0.4, bank=1, cylinder=2, vehicle=ILL)
        last = family.panel.row_start[1 : reached + 1] - 1
        family.alarm[last] = np.abs(family.z[last]) > 4
        return family

    return build


@pytest.mark.parametrize("variant", ["lean", "low_octane", "other_ethanol"])
def test_vehicles_in_alarm_whose_depot_moved_with_them_are_told_what_reached_the_depot(
    tank, evidence, history, variant
):
    ranking = rank_causes(as_drift(tank(variant)), evidence=evidence(IDS), history=history()).filter(rank=1)
    said = dict(ranking.select("vehicle_id", "cause").iter_rows())
    assert {said[IDS[v]] for v in range(ILL + 1, STAYED)} == {"fuel_contaminated"}
    assert said[IDS[ILL]] == "ignition_weak"
    assert {said[name] for name in IDS[STAYED:]} == {NONE}  # nothing departs on those that it did not reach
    assert "Most vehicles of depot Millrace moved together: " in ranking["evidence"][ILL + 1]


def test_a_vehicle_that_is_not_in_alarm_and_has_no_code_is_not_told_of_its_depots_cause(tank, evidence, history):
    family = tank()
    family.alarm[:] = False
    first = rank_causes(as_drift(family), evidence=evidence(IDS), history=history()).filter(rank=1)
    assert set(first["cause"][ILL + 1 :]) == {NONE}


def test_a_depot_that_its_bands_followed_is_heard_of_vehicles_with_an_alarm(healthy, evidence, history):
    family = healthy(IDS)
    family.alarm[family.panel.row_start[4] - 1] = True
    week = family.panel.read_at[-3].astype("datetime64[us]").item().replace(tzinfo=UTC)
    trims = [code for code in family.panel.codes if code.startswith("ltft_b")]
    row = {"engine_family": "hawthorn", "depot": "Millrace", "week_from": week, "vehicles": 24, "chance": 1e-9}
    moved = pl.DataFrame([{**row, "correction": code, "moved": 12.0} for code in trims]).select(MOVED.names())
    drift = as_drift(family)
    drift.extras["drift_moved"] = moved
    first = rank_causes(drift, evidence=evidence(IDS), history=history()).filter(rank=1)
    assert first.filter(pl.col("cause") != NONE).select("vehicle_id", "cause").rows() == [(IDS[3], "fuel_contaminated")]


def test_what_a_depot_does_together_without_a_cause_that_reaches_depots_names_none(healthy, evidence, history):
    family = healthy(IDS)
    for v in range(STAYED):
        plant(family, "egr_restricted", "restricted", severity=0.4, vehicle=v)
    family.alarm[family.panel.row_start[1:] - 1] = True
    first = rank_causes(as_drift(family), evidence=evidence(IDS), history=history()).filter(rank=1)
    assert "fuel_contaminated" not in set(first["cause"])
