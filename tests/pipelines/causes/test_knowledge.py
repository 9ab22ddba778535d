import csv
import re
from importlib.resources import files

import numpy as np
import pytest

from pipelines.causes.hypotheses import EngineLayout, hypotheses
from pipelines.causes.knowledge import PLACES, SCALES, causes, cautions

CONTRACT = {
    "unmetered_air",
    "air_mass_sensor_fouled",
    "air_mass_sensor_over_reading",
    "fuel_delivery_weak",
    "fuel_pressure_high",
    "fuel_contaminated",
    "injector_restricted",
    "injector_leaking",
    "o2_sensor_aged",
    "o2_heater_weak",
    "o2_sensors_swapped",
    "exhaust_leak_upstream",
    "exhaust_restricted",
    "catalyst_aged",
    "throttle_deposits",
    "idle_valve_sticking",
    "closed_throttle_shifted",
    "purge_valve_leaking",
    "evap_leak",
    "coolant_sensor_biased",
    "thermostat_open",
    "ignition_weak",
    "compression_low",
    "combustion_deposits",
    "knock_sensor_loose",
    "cam_drive_stretched",
    "cam_phaser_sticking",
    "crank_sensor_gap",
    "egr_restricted",
    "egr_leaking",
    "manifold_sensor_biased",
    "accessory_drag",
    "oil_diluted",
    "supply_or_earth_weak",
}


def components():
    text = files("pipelines.catalogue").joinpath("components.csv").read_text(encoding="utf-8")
    return {row["component"]: row for row in csv.DictReader(text.splitlines())}


def test_every_cause_of_the_contract_is_known_and_no_other():
    assert set(causes()) == CONTRACT


@pytest.mark.parametrize("cause", causes().values(), ids=lambda cause: cause.id)
def test_a_cause_says_what_to_check_with_which_care_and_what_it_resembles(cause):
    assert len(cause.checks) >= 3
    assert cause.cautions[0].id == "manufacturer_first"
    assert len(cause.cautions) >= 2
    assert set(cause.apart) <= set(causes()) - {cause.id}
    assert set(cause.components) <= set(components())
    assert sum(variant.weight for variant in cause.variants) == pytest.approx(1)
    assert {variant.place for variant in cause.variants} <= set(PLACES)
    assert cause.codes
    assert all(re.fullmatch(r"[PBCU]\d[0-9A-F]{3}", entry.code) and 0 < entry.likelihood < 1 for entry in cause.codes)


def test_what_tells_two_causes_apart_is_found_from_either_side():
    assert causes()["egr_leaking"].apart_from("egr_restricted") is None
    told = causes()["catalyst_aged"].apart_from("injector_leaking")
    assert told
    assert causes()["injector_leaking"].apart_from("catalyst_aged") == told


def test_signature_entries_are_shares_with_a_spread_on_corrections_of_the_catalogue(catalogue):
    fillings = ("{bank}", "{other_bank}", "{every_bank}")
    known = set(catalogue["code"])
    for cause in causes().values():
        for variant in cause.variants:
            for entry in variant.signature:
                filled = entry.correction
                for slot in fillings:
                    filled = filled.replace(slot, "1")
                filled = re.sub(r"\{(every_|bank_|other_)?cylinder\}|\{companion\}", "1", filled)
                assert filled in known, (cause.id, entry.correction)
                assert -1 <= entry.share <= 1
                assert entry.spread > 0
                assert 0 <= entry.absent < 1
                assert entry.scale in SCALES


def test_cautions_defer_to_the_manufacturer_and_a_licensed_technician():
    text = cautions()["manufacturer_first"].text
    assert all(word in text for word in ("manufacturer", "local codes", "licensed technician"))


def test_every_component_of_the_catalogue_has_costs(catalogue):
    of_catalogue = {part for entry in catalogue["component"] for part in entry.split("|")}
    assert of_catalogue <= set(components())
    for row in components().values():
        assert float(row["labour_hours"]) > 0
        assert 0 <= float(row["strand_share"]) <= 1


def test_cylinder_corrections_of_a_signature_keep_the_mean_that_the_module_keeps(catalogue):
    codes = tuple(catalogue["code"])
    v6 = EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 2, 5: 2, 6: 2})
    checked = 0
    for hypothesis in hypotheses(codes, v6):
        if (hypothesis.cause.id, hypothesis.variant.name) in {
            ("injector_restricted", "restricted"),
            ("ignition_weak", "one_cylinder"),
            ("compression_low", "low"),
        }:
            share = dict(zip(codes, hypothesis.share, strict=True))
            for bank in ((1, 2, 3), (4, 5, 6)):
                assert np.isclose(sum(share[f"inj_bal_c{n}"] for n in bank), 0)
            assert np.isclose(sum(share[f"crank_seg_c{n}"] for n in range(1, 7)), 0)
            checked += 1
    assert checked == 18
