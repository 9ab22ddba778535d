from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.causes.priors import cause_priors
from pipelines.causes.ranking import NONE, rank_causes

from .conftest import AS_OF, as_drift, plant

PLANTS = [
    ("unmetered_air", "plenum", None, None),
    ("air_mass_sensor_fouled", "fouled", None, None),
    ("fuel_delivery_weak", "weak", None, None),
    ("injector_restricted", "restricted", 2, 5),
    ("ignition_weak", "one_cylinder", 1, 2),
    ("o2_sensor_aged", "lean_biased", 2, None),
    ("o2_sensor_aged", "rich_biased", 1, None),
    ("exhaust_leak_upstream", "leak", 1, None),
    ("throttle_deposits", "deposits", None, None),
    ("cam_drive_stretched", "shared", None, None),
    ("egr_restricted", "restricted", None, None),
]


def work(**columns):
    return pl.DataFrame(columns, schema_overrides=drop_tables()["work"].schema)


def event(vehicle, code, **columns):
    at = AS_OF - timedelta(days=3)
    row = {"vehicle_id": vehicle, "code": code, "found_at": at, "set_at": at, "ended": "open", **columns}
    return pl.DataFrame(
        [row],
        schema_overrides={
            "found_at": pl.Datetime("us", "UTC"),
            "set_at": pl.Datetime("us", "UTC"),
            "ended_at": pl.Datetime("us", "UTC"),
        },
    )


@pytest.mark.parametrize("plant_at", PLANTS, ids=lambda plant_at: "-".join(plant_at[:2]))
def test_a_planted_cause_comes_first_with_its_place(healthy, evidence, history, plant_at):
    cause, variant, bank, cylinder = plant_at
    family = healthy(("van-1", "van-2"))
    plant(family, cause, variant, severity=0.4, bank=bank, cylinder=cylinder)
    ranking = rank_causes(as_drift(family), evidence=evidence(("van-1", "van-2")), history=history())
    first = ranking.filter(rank=1).to_dicts()
    assert [first[0][name] for name in ("vehicle_id", "cause", "bank", "cylinder")] == ["van-1", cause, bank, cylinder]
    assert first[0]["evidence"].startswith("For it: ")
    assert first[1]["cause"] == NONE


def test_the_table_keeps_the_contract(healthy, evidence, history):
    ids = tuple(f"van-{n}" for n in range(6))
    family = healthy(ids)
    plant(family, "unmetered_air", "plenum", severity=0.1, vehicle=3)
    ranking = rank_causes(as_drift(family), evidence=evidence((*ids, "unread")), history=history())
    assert ranking.schema == published_tables()["cause_ranking"].schema
    sums = ranking.group_by("vehicle_id").agg(pl.col("probability").sum(), (pl.col("cause") == NONE).sum())
    assert set(sums["vehicle_id"]) == {*ids, "unread"}
    assert sums["probability"].to_list() == pytest.approx([1.0] * 7)
    assert sums["cause"].to_list() == [1] * 7
    assert not ranking.select("vehicle_id", "cause", "bank", "cylinder").is_duplicated().any()
    assert ranking.filter(vehicle_id="unread")["evidence"].item() == "No correction of this vehicle was read yet."


def test_retired_vehicles_and_those_not_yet_in_service_have_no_row(healthy, evidence, history):
    ids = ("gone", "here", "later")
    known = evidence(ids)
    dates = pl.DataFrame(
        {
            "vehicle_id": ids,
            "engine_family": ["hawthorn"] * 3,
            "in_service_on": [None, None, datetime(2032, 1, 1, tzinfo=UTC).date()],
            "retired_on": [datetime(2031, 1, 1, tzinfo=UTC).date(), None, None],
        }
    )
    vehicles = pl.concat([known.vehicles.clear(), dates], how="diagonal_relaxed")
    ranking = rank_causes(as_drift(healthy(ids)), evidence=replace(known, vehicles=vehicles), history=history())
    assert ranking["vehicle_id"].unique().to_list() == ["here"]


def test_healthy_vehicles_are_told_that_it_is_none_of_these(healthy, evidence, history):
    ids = tuple(f"van-{n:03}" for n in range(100))
    ranking = rank_causes(as_drift(healthy(ids)), evidence=evidence(ids), history=history())
    none = ranking.filter(cause=NONE)
    assert none["rank"].to_list() == [1] * 100
    assert none["probability"].mean() > 0.98


def test_a_catalogue_that_no_cause_knows_gives_none_and_names_what_departs(healthy, evidence, history):
    family = healthy(("engine-1", "engine-2"), codes=("baro_learn",))
    family.z[-1], family.deviation[-1] = 9.0, 9.0 * family.sigma
    ids = family.panel.vehicles
    ranking = rank_causes(as_drift(family), evidence=evidence(ids), history=history())
    assert ranking["cause"].to_list() == [NONE, NONE]
    assert ranking["probability"].to_list() == [1.0, 1.0]
    assert ranking["evidence"][1].startswith(
        "What departs most is Learned barometric pressure +1.35 kPa (9.0 times its healthy scatter)"
    )


def test_a_sudden_fault_without_precursor_is_none_of_these(healthy, evidence, history):
    family = healthy(("van-1",))
    ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history(event("van-1", "P0335")))
    assert ranking.filter(rank=1)["cause"].item() == NONE
    assert "Stored: P0335" in ranking.filter(cause=NONE)["evidence"].item()


def test_a_code_decides_between_two_look_alikes(healthy, evidence, history):
    def chance(events):
        family = healthy(("van-1",), codes=("coolant_model",))
        family.z[-1], family.deviation[-1] = -8.0, -3.0
        ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history(events))
        return dict(ranking.select("cause", "probability").iter_rows())

    without, with_code = chance(None), chance(event("van-1", "P0128-00"))
    odds = [found["thermostat_open"] / found["coolant_sensor_biased"] for found in (without, with_code)]
    assert odds[1] == pytest.approx(odds[0] * 0.6 / 0.15, rel=0.01)


def test_a_repaired_code_says_nothing_any_more(healthy, evidence, history):
    family = healthy(("van-1",))
    known = evidence(("van-1",))
    ended = {"ended": "repaired", "ended_at": AS_OF - timedelta(days=1)}
    assert_frame_equal(
        rank_causes(as_drift(family), evidence=known, history=history(event("van-1", "P0171", **ended))),
        rank_causes(as_drift(family), evidence=known, history=history()),
    )


def test_confirmed_repairs_of_the_fleet_make_their_cause_likelier(healthy, evidence, history):
    family = healthy(("van-1",), codes=("coolant_model",))
    family.z[-1], family.deviation[-1] = -8.0, -3.0
    count = 30
    confirmed = work(
        vehicle_id=[f"other-{n}" for n in range(count)],
        done_at=[AS_OF - timedelta(days=31 * n) for n in range(count)],
        kind=["replacement"] * count,
        component=["coolant_sensor"] * count,
        cause=["coolant_sensor_biased"] * count,
    )
    confirmed = pl.concat([drop_tables()["work"].empty(), confirmed], how="diagonal_relaxed")

    def first(known):
        return rank_causes(as_drift(family), evidence=known, history=history()).filter(rank=1)["cause"].item()

    assert first(evidence(("van-1",))) == "thermostat_open"
    assert first(evidence(("van-1",), work=confirmed)) == "coolant_sensor_biased"


def test_causes_that_cannot_be_told_apart_with_what_is_read_are_said_together(healthy, evidence, history):
    family = healthy(("van-1",), codes=("coolant_model",))
    family.z[-1], family.deviation[-1] = -8.0, -3.0
    ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history())
    text = ranking.filter(rank=1)["evidence"].item()
    assert "What is read here cannot tell it from: Coolant temperature sensor reads wrong." in text
    assert "cold soak" in text


def test_corrections_that_relearn_speak_less_but_are_heard_where_they_are_far_off(healthy, evidence, history):
    def said(severity, *, relearns):
        family = healthy(("van-1",))
        plant(family, "throttle_deposits", "deposits", severity=severity)
        if relearns:
            family.relearning[-1] = np.abs(family.z[-1]) > 1.5
        ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history())
        return ranking.filter(cause="throttle_deposits")["probability"].sum()

    assert said(0.05, relearns=True) < said(0.05, relearns=False) - 0.05
    assert said(0.6, relearns=True) > 0.8


def test_the_input_stays_as_it_was(healthy, evidence, history):
    family = healthy(("van-1",))
    before = family.z.copy()
    rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history())
    assert np.array_equal(before, family.z)


def test_repairs_of_one_cause_at_one_depot_in_one_month_count_once(evidence):
    def prior(days_apart):
        rows = pl.DataFrame(
            {
                "vehicle_id": ["van-1"] * 10,
                "done_at": [AS_OF - timedelta(days=days_apart * n) for n in range(10)],
                "cause": ["fuel_contaminated"] * 10,
            }
        )
        confirmed = pl.concat([drop_tables()["work"].empty(), rows], how="diagonal_relaxed")
        return cause_priors(confirmed, evidence(("van-1",)).vehicles)["fuel_contaminated"]

    assert prior(0) < prior(31) / 3


def far(family, **corrections):
    """Sets the newest deviations of the first vehicle, in sigmas, and all others of it to nothing."""
    row, codes = family.panel.row_start[1] - 1, family.panel.codes
    family.z[row] = 0.0
    for code, size in corrections.items():
        family.z[row, codes.index(code)] = size
        family.alarm[row, codes.index(code)] = abs(size) > 5
    family.deviation[row] = family.z[row] * family.sigma
    return family


def ranked(family, evidence, history, **tables):
    ids = family.panel.vehicles
    return rank_causes(as_drift(family), evidence=evidence(ids, **tables), history=history()).filter(vehicle_id=ids[0])


@pytest.mark.parametrize("size", [7.0, 12.0])
def test_a_lone_crank_segment_names_weak_ignition_or_low_compression_there(healthy, evidence, history, size):
    found = ranked(far(healthy(), crank_seg_c3=size), evidence, history)
    top = found.filter(pl.col("rank") <= 2)
    assert set(top["cause"]) == {"ignition_weak", "compression_low"}
    assert top["cylinder"].to_list() == [3, 3]
    assert found.filter(cause=NONE)["probability"].item() < 0.2


def test_a_lone_cam_reference_names_its_phaser_and_nothing_that_does_not_touch_the_cam(healthy, evidence, history):
    found = ranked(far(healthy(), cam_in_b1=24.0), evidence, history)
    first = found.filter(rank=1).row(0, named=True)
    assert (first["cause"], first["bank"]) == ("cam_phaser_sticking", 1)
    assert found.filter(pl.col("cause").is_in(["compression_low", "ignition_weak"])).is_empty()
    assert "cam_drive_stretched" in found["cause"].to_list()


def test_what_departs_most_is_explained_before_small_departures_elsewhere(healthy, evidence, history):
    small = {"ltft_b1_idle": 1.6, "inj_bal_c1": 1.5, "iac_neutral": -1.6}
    found = ranked(far(healthy(), crank_seg_c2=9.0, **small), evidence, history)
    first = found.filter(rank=1).row(0, named=True)
    assert first["cause"] in {"ignition_weak", "compression_low"}
    assert first["cylinder"] == 2
    assert found.filter(cause="unmetered_air", cylinder=1).is_empty()


def test_an_idle_trim_and_a_sensor_shift_of_one_bank_leave_the_exhaust_leak_open(healthy, evidence, history):
    found = ranked(far(healthy(), ltft_b1_idle=9.0, o2_shift_b1=-5.0), evidence, history)
    chance = dict(found.filter(pl.col("bank") == 1).group_by("cause").agg(pl.col("probability").sum()).iter_rows())
    assert chance.get("exhaust_leak_upstream", 0) > 0.05
    assert chance.get("o2_sensor_aged", 0) < 0.95


def test_a_second_cause_is_named_beside_the_leading_one(healthy, evidence, history):
    family = healthy()
    plant(family, "catalyst_aged", "aged", severity=0.3, bank=2)
    plant(family, "throttle_deposits", "deposits", severity=0.7)
    first = ranked(family, evidence, history).filter(rank=1).row(0, named=True)
    assert first["cause"] == "throttle_deposits"
    assert "Beside it: Catalyst aged" in first["evidence"]


def test_evidence_says_what_speaks_against_a_rival(healthy, evidence, history):
    family = healthy()
    plant(family, "exhaust_leak_upstream", "leak", severity=0.5, bank=1)
    first = ranked(family, evidence, history).filter(rank=1).row(0, named=True)
    assert first["cause"] == "exhaust_leak_upstream"
    assert "Against " in first["evidence"]


def test_an_alarm_is_weighed_though_the_newest_level_alone_says_little(healthy, evidence, history):
    family = healthy()
    last, column = family.panel.row_start[1] - 1, family.panel.codes.index("crank_seg_c2")
    family.z[last] = np.clip(family.z[last], -0.8, 0.8)
    family.z[last, column] = 2.2
    said = {}
    for alarmed in (False, True):
        family.alarm[last, column] = alarmed
        ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history())
        said[alarmed] = ranking.filter(cause=NONE)["probability"].item()
    assert said[False] == 1.0
    assert 0.01 < said[True] < 0.99


def test_channels_that_no_cause_knows_name_none_however_they_move(healthy, evidence, history):
    family = healthy(codes=("ltft_b1_idle", "iac_neutral"))
    family = replace(family, panel=replace(family.panel, codes=("channel_1", "channel_2")))
    family.z[-6:, 0] += 12
    family.panel.values[-6:, 0] += 12 * family.sigma[0]
    family.alarm[-6:, 0] = True
    ranking = rank_causes(as_drift(family), evidence=evidence(("van-1",)), history=history())
    assert ranking.select("cause", "probability").rows() == [(NONE, 1.0)]
