import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_fleet import engine
from synthetic_fleet.signatures import mild, signature

V6 = "Hawthorn 3.0 V6"
REGIONS = ("idle", "low", "mid", "high")


def trims(moved, bank=1):
    """Fuel added on a bank by region, %, what the additive offset took over at idle put back (14 mg a stroke)."""
    values = [moved[f"ltft_b{bank}_{region}"] for region in REGIONS]
    return [values[0] + 100 * moved[f"ltft_add_b{bank}"] / 14.0, *values[1:]]


def test_air_through_an_orifice_is_choked_below_half_the_pressure_and_stops_without_a_difference():
    assert engine.orifice(0.2) == engine.orifice(0.5) == 1.0
    assert engine.orifice(1.0) == 0.0
    assert engine.orifice(0.9) == pytest.approx(0.62, abs=0.02)  # tables of isentropic flow


@given(st.floats(0.01, 1.2), st.floats(0.01, 1.2))
def test_the_flow_through_an_orifice_never_grows_with_the_pressure_behind_it(one, two):
    low, high = sorted((one, two))
    assert engine.orifice(low) >= engine.orifice(high) - 1e-3


def test_a_small_leak_past_the_meter_is_lean_at_idle_and_fades_with_load(constants):
    idle, low, mid, high = trims(signature(constants, V6, "unmetered_air", severity=0.4))
    assert idle > 2 * low > 2 * mid > 0
    assert high < 0.1 * idle


def test_a_leak_takes_idle_air_away_and_ten_percent_of_it_three_points(constants):
    moved = signature(constants, V6, "unmetered_air", severity=0.10 / 0.27)  # a tenth of the idle air
    assert moved["iac_neutral"] == pytest.approx(-3.0, abs=0.1)
    assert moved["throttle_area"] == pytest.approx(0.0, abs=0.05)


def test_a_leak_on_an_engine_without_a_meter_leaves_the_trims_and_takes_idle_air(constants):
    moved = signature(constants, "Alder 1.6", "unmetered_air")
    assert np.allclose(trims(moved), 0.0, atol=0.05)
    assert moved["iac_neutral"] < -5


def test_air_drawn_in_before_the_plate_is_lean_at_every_load_alike(constants):
    values = trims(signature(constants, V6, "unmetered_air", variant=2, severity=0.3))
    assert max(values) - min(values) < 0.1
    assert min(values) > 5


def test_a_fouled_meter_is_lean_where_flow_is_high_and_its_own_correction_takes_most(constants):
    moved = signature(constants, V6, "air_mass_sensor_fouled", severity=0.7)
    ranges = [moved[f"maf_corr_q{k}"] for k in range(1, 6)]
    assert ranges == sorted(ranges)
    assert ranges[0] <= 0 < ranges[1]
    values = trims(moved)
    assert values[3] > values[2] > values[1] > values[0] - 0.2
    assert values == pytest.approx(trims(moved, bank=2))
    assert ranges[4] > 4 * values[3]
    assert moved["fuel_press"] == 0


def test_a_weak_pump_is_lean_at_high_load_on_both_banks(constants):
    moved = signature(constants, V6, "fuel_delivery_weak", severity=0.6)
    values = trims(moved)
    assert values == pytest.approx(trims(moved, bank=2))
    assert values[3] > 2 * values[2] > 2 * values[1] > 2 * values[0] > 0
    assert moved["fuel_press"] > 10
    assert moved["iac_neutral"] == moved["maf_corr_q5"] == 0


def test_a_fifth_of_the_pressure_lost_is_twelve_percent_of_fuel_and_a_fifth_too_much_nine(constants):
    family = "Alder 1.6"  # no rail loop hides it
    assert signature(constants, family, "fuel_delivery_weak", severity=0.2 / 0.34)["ltft_b1_high"] == pytest.approx(
        11.8, abs=0.1
    )
    assert signature(constants, family, "fuel_pressure_high", severity=0.2 / 0.7)["ltft_b1_high"] == pytest.approx(
        -8.7, abs=0.1
    )


@pytest.mark.parametrize("cylinder", [0, 1, 5])
def test_one_restricted_injector_shows_on_its_bank_its_cylinder_and_its_crank_segment(constants, cylinder):
    severity = 0.6
    moved = signature(constants, V6, "injector_restricted", place=cylinder, severity=severity)
    bank = 1 + cylinder % 2
    short = 100 * (1 / (1 - 0.2 * severity) - 1)
    assert moved[f"ltft_b{bank}_mid"] == pytest.approx(short / 3, rel=0.01)
    assert moved[f"ltft_b{3 - bank}_mid"] == 0
    assert moved[f"inj_bal_c{cylinder + 1}"] == pytest.approx(short * 2 / 3, rel=0.01)
    assert moved[f"crank_seg_c{cylinder + 1}"] > 1
    assert (
        max(moved, key=lambda code: moved[code] if code.startswith("crank_seg") else -1) == f"crank_seg_c{cylinder + 1}"
    )


def test_where_segments_are_learned_on_overrun_alone_an_injector_does_not_show_in_them(constants):
    moved = signature(constants, "Alder 1.6", "injector_restricted")
    assert all(moved[f"crank_seg_c{k}"] == 0 for k in range(1, 5))
    assert moved["inj_bal_c1"] > 10


def test_an_exhaust_leak_ahead_of_the_sensor_reads_lean_on_its_bank_at_idle(constants):
    moved = signature(constants, V6, "exhaust_leak_upstream", place=1, severity=0.5)
    idle, low, mid, high = trims(moved, bank=2)
    assert idle > low > mid > high >= 0
    assert low > 0.5 * idle
    assert trims(moved, bank=1) == pytest.approx([0, 0, 0, 0])
    assert moved["iac_neutral"] == 0


def test_a_fault_common_to_all_cylinders_shows_in_no_correction_of_a_cylinder(constants):
    for cause in ("fuel_delivery_weak", "fuel_pressure_high", "unmetered_air"):
        moved = signature(constants, V6, cause)
        assert all(abs(value) < 1e-9 for code, value in moved.items() if code.startswith(("inj_bal", "crank_seg")))


def test_cylinder_corrections_have_no_mean_over_bank_and_engine(constants):
    for cause in ("injector_restricted", "injector_leaking", "ignition_weak", "compression_low"):
        moved = signature(constants, V6, cause, place=3, severity=0.4)
        assert sum(moved[f"crank_seg_c{k}"] for k in range(1, 7)) == pytest.approx(0, abs=1e-9)
        for cylinders in ((1, 3, 5), (2, 4, 6)):
            assert sum(moved[f"inj_bal_c{k}"] for k in cylinders) == pytest.approx(0, abs=1e-9)


def test_a_leaking_purge_valve_is_rich_with_a_full_canister_and_lean_with_an_empty_one(constants):
    full = signature(constants, V6, "purge_valve_leaking", around=mild()._replace(vapour=35.0))
    empty = signature(constants, V6, "purge_valve_leaking", around=mild()._replace(vapour=0.0))
    assert trims(full)[0] < -5
    assert trims(empty)[0] > 5


def test_a_newton_metre_of_drag_costs_the_v6_one_and_a_half_to_two_points_of_idle_air(constants):
    moved = signature(constants, V6, "accessory_drag", severity=1 / 27)
    assert 1.5 <= moved["iac_neutral"] <= 2.0
    assert moved["torque_loss_idle"] == pytest.approx(1.0)


def test_a_biased_manifold_sensor_moves_the_trims_only_where_air_is_reckoned_from_it(constants):
    assert np.allclose(trims(signature(constants, V6, "manifold_sensor_biased")), 0)
    idle, low, mid, high = trims(signature(constants, "Alder 1.6", "manifold_sensor_biased", severity=0.5))
    assert idle > low > mid > high > 0


def test_every_cause_moves_something_that_its_family_has_or_makes_it_scatter(constants):
    for cause in constants.scenario["causes"]:
        if cause != "crank_sensor_gap":
            assert max(abs(value) for value in signature(constants, V6, cause).values()) > 0
