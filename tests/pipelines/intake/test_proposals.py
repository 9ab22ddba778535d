from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.intake.load import load
from pipelines.store.published import flagged, proposed, vehicle_snapshots

VEHICLES = "vehicle_id,engine_family,in_service_on\nv1,alder,2031-01-01\nv2,alder,2031-01-01\n"


def column(name: str, *cells: float) -> str:
    rows = [f"v1,2031-01-{day:02d}T08:00:00Z,{cell}" for day, cell in enumerate(cells, start=2)]
    return "\n".join([f"vehicle_id,read_at,{name}", *rows]) + "\n"


@pytest.mark.parametrize(
    ("name", "cells", "unit"),
    [
        ("baro_kpa", (1013, 998, 1004), "hPa"),
        ("baro_kpa", (29.9, 29.5, 30.1), "inHg"),
        ("baro_kpa", (14.5, 14.6, 14.4), "psi"),
        ("battery_v", (12600, 13100, 14200), "mV"),
        ("coolant_c", (190, 195, 203), "degF"),
        ("ambient_c", (295, 288, 301), "kelvin"),
        ("monitors_ready", (100, 75, 50), "%"),
        ("odometer_km", (50000, 50400, 31569, 31818, 32066, 51600), "mi"),
    ],
)
def test_another_unit_is_proposed_on_one_line_and_never_applied(store, drop, name, cells, unit):
    report = load(store, [drop(vehicles=VEHICLES, snapshots=column(name, *cells))])
    [line] = report.proposals
    assert line.startswith(f"drop/snapshots.csv: {name} looks like {unit} in 3 readings")
    assert f'If so in all of the file, load it again with a mapping that says unit = "{unit}"; if in these' in line
    assert line in report.lines()
    assert proposed(store)["text"].to_list() == [line]
    stored = vehicle_snapshots(store, "v1")[name].to_list()
    assert set(stored) <= set(cells)


@pytest.mark.parametrize(
    ("name", "cells"),
    [("baro_kpa", (101, 99, 100)), ("coolant_c", (90, 88, 131)), ("odometer_km", (50000, 50400, 50800, 51200))],
)
def test_sound_values_and_a_single_wild_one_propose_nothing(store, drop, name, cells):
    assert load(store, [drop(vehicles=VEHICLES, snapshots=column(name, *cells))]).proposals == []


def test_fractions_for_percent_are_proposed(store, drop):
    codes = ("ltft_b1_idle", "ltft_b1_low", "ltft_b2_idle", "ltft_b2_low")
    rows = [
        f"v1,2031-{1 + week // 4:02d}-{1 + week % 4 * 7:02d}T08:00:00Z,"
        + ",".join(f"{(0.03 if week in (20, 21, 22) else 3.125) + week % 3 / 100:.4f}" for _ in codes)
        for week in range(40)
    ]
    text = "\n".join([f"vehicle_id,read_at,{','.join(codes)}", *rows]) + "\n"
    [line] = load(store, [drop(vehicles=VEHICLES, snapshots=text)]).proposals
    assert "several corrections look like fractions in 3 readings of 1 vehicle" in line


def flags_for(store, reason: str) -> list[tuple[str, str]]:
    found = flagged(store).filter(pl.col("reason").str.starts_with(reason)).sort("detail")
    return found.select("vehicle_id", "column_name").rows()


def test_readings_before_service_and_after_their_load_are_flagged_unless_the_stores_clock_is_off(store, drop):
    days = ("2030-12-20", "2031-01-06", "2031-01-07", "2031-03-01")
    text = "\n".join(["vehicle_id,read_at", *(f"v1,{day}T08:00:00Z" for day in days)]) + "\n"
    folder = drop(vehicles=VEHICLES, snapshots=text)
    load(store, [folder], loaded_at=datetime(2031, 1, 8, tzinfo=UTC))
    assert flags_for(store, "before the vehicle came into service") == [("v1", "read_at")]
    assert flags_for(store, "later than the time it was loaded") == [("v1", "read_at")]
    load(store, [drop("again", snapshots=text.replace("v1", "v2"))], loaded_at=datetime(2026, 1, 1, tzinfo=UTC))
    assert ("v2", "read_at") not in flags_for(store, "later than the time it was loaded")


def test_a_clock_that_falls_and_goes_on_as_before_is_flagged_and_a_restart_is_not(store, drop):
    hours = {"v1": (100, 110, 0, 130), "v2": (100, 110, 0, 10)}
    rows = [
        f"{vehicle},2031-01-{6 + 7 * n:02d}T08:00:00Z,{value}"
        for vehicle, values in hours.items()
        for n, value in enumerate(values)
    ]
    load(store, [drop(snapshots="\n".join(["vehicle_id,read_at,ignition_hours", *rows]) + "\n")])
    assert flags_for(store, "module clock falls and goes on") == [("v1", "ignition_hours")]
