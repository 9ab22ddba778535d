import polars as pl
import pytest

from pipelines.history.reconstruct import reconstruct

WEEKS = 16


def counters(hours, km):
    return [hours + 10.0 * week for week in range(WEEKS)], [km + 300.0 * week for week in range(WEEKS)]


@pytest.fixture
def notices(evidence, weekly):
    """Notices of vehicles given as name -> (clock, odometer, module)."""

    def make(fleet):
        snapshots = []
        for vehicle, (hours, km, module) in fleet.items():
            snapshots += weekly(vehicle, hours, odometer_km=km, module=module)
        return reconstruct(evidence(snapshots=snapshots)).notices

    return make


@pytest.mark.parametrize("serials", [True, False])
def test_two_vehicles_swapped_in_a_file_are_named_with_both_and_the_time(notices, day, serials):
    a, b, c = counters(500.0, 20_000.0), counters(3000.0, 120_000.0), counters(1500.0, 70_000.0)
    names = [["ma"] * WEEKS, ["mb"] * WEEKS, ["mc"] * WEEKS]
    foreign = slice(6, 10)
    for one, other in (*zip(a, b, strict=True), (names[0], names[1])):
        one[foreign], other[foreign] = other[foreign], one[foreign]
    modules = names if serials else [None] * 3
    told = notices({"a": (*a, modules[0]), "b": (*b, modules[1]), "c": (*c, modules[2])})
    swapped = told.filter(pl.col("kind") == "swapped_vehicles")
    assert swapped.select("vehicle_id", "other_vehicle_id", "at").rows() == [("a", "b", day(42)), ("b", "a", day(42))]
    assert "From 2031-02-17 to 2031-03-10 the readings of vehicles a and b are swapped" in swapped["text"][0]
    assert told.filter(pl.col("vehicle_id") == "c").is_empty()
    assert "donor_module" not in told["kind"]


def test_a_module_seen_on_another_vehicle_before_is_a_donor(notices, day):
    a, b = counters(500.0, 20_000.0), counters(3000.0, 120_000.0)
    b[0][8:] = [value - 2000.0 for value in b[0][8:]]
    told = notices({"a": (*a, ["ma"] * WEEKS), "b": (*b, ["mb"] * 8 + ["ma"] * 8)})
    donor = told.filter(pl.col("kind") == "donor_module")
    assert donor.select("vehicle_id", "other_vehicle_id", "at").rows() == [("b", "a", day(56))]


def test_an_odometer_that_runs_back_is_noted_and_kilometres_go_on(evidence, weekly):
    hours, km = counters(500.0, 90_000.0)
    km[8:] = [value - 60_000.0 for value in km[8:]]
    told = reconstruct(evidence(snapshots=weekly("v", hours, odometer_km=km)))
    assert "odometer_replaced" in told.notices["kind"]
    assert told.readings["km"].is_sorted()
    assert told.readings["km"][-1] == pytest.approx(90_000 + 300 * (WEEKS - 1), rel=0.01)


def test_an_odometer_in_miles_for_a_month_is_noted(evidence, weekly):
    hours, km = counters(500.0, 90_000.0)
    read = [value / 1.609344 if 6 <= week < 10 else value for week, value in enumerate(km)]
    told = reconstruct(evidence(snapshots=weekly("v", hours, odometer_km=read)))
    assert told.notices["kind"].to_list() == ["odometer_unit", "odometer_unit"]
    assert told.readings["km"].to_list() == pytest.approx(km)


def test_a_clean_record_has_no_notice(notices):
    hours, km = counters(500.0, 20_000.0)
    assert notices({"v": (hours, km, "m")}).is_empty()
