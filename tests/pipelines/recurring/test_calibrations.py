from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.recurring import modules
from pipelines.recurring.calibrations import behind, calibration_register
from pipelines.recurring.cures import CURES, calibration_effects
from pipelines.recurring.modules import FOREIGN, NEUTRAL, module_changes
from pipelines.recurring.shifts import calibration_shifts

from .conftest import CODES, ROWS, START, VEHICLES
from .test_rollouts import ground

CALM = np.zeros(ROWS)
UPDATED_FROM = {vehicle: 15 + 2 * n for n, vehicle in enumerate(VEHICLES[:8])}  # reading with the new one


def with_update(past, column="calibration", new="b"):
    weeks = (pl.col("read_at") - START).dt.total_days() // 7
    since = pl.col("vehicle_id").replace_strict(UPDATED_FROM, default=ROWS, return_dtype=pl.Int64)
    value = pl.when(weeks >= since).then(pl.lit(new)).otherwise(pl.coalesce(column, pl.lit("a")))
    return replace(past, readings=past.readings.with_columns(value.alias(column)))


def released(known, *rows):
    table = pl.DataFrame(
        [{"engine_family": "rowan", "supersedes": None, "note": None, **row} for row in rows],
        schema=known.calibrations.schema,
    )
    return replace(known, calibrations=table)


def test_the_register_says_who_has_what_and_who_is_behind(evidence, history):
    past = with_update(history())
    known = released(
        evidence(),
        {"calibration": "a", "released_on": date(2029, 1, 1)},
        {"calibration": "b", "released_on": date(2030, 3, 1), "supersedes": "a"},
    )
    register = calibration_register(known, past.readings)
    assert register.select("calibration", "newest", "vehicles", "behind").rows() == [
        ("b", True, 8, 4),
        ("a", False, 4, None),
    ]
    late = behind(known, past.readings, register)
    assert late["vehicle_id"].to_list() == list(VEHICLES[8:])
    assert late.select("calibration", "newest_calibration").unique().rows() == [("a", "b")]
    assert late["has_it_since"].unique().to_list() == [START]


def test_without_a_table_of_releases_the_newest_is_the_one_seen_last(evidence, history):
    past = with_update(history())
    assert calibration_register(evidence(), past.readings).filter("newest")["calibration"].to_list() == ["b"]
    none = replace(past, readings=past.readings.with_columns(calibration=pl.lit(None, pl.String)))
    assert calibration_register(evidence(), none.readings).is_empty()


def test_a_calibration_of_another_family_is_no_row_of_this_one(evidence, history):
    known = released(evidence(), {"calibration": "b", "released_on": date(2030, 3, 1), "engine_family": "alder"})
    past = with_update(history())
    register = calibration_register(known, past.readings)
    assert register["calibration"].to_list() == ["a"]
    assert behind(known, past.readings, register).is_empty()


def updated(built, moved):
    """The family with the new calibration on eight vehicles, which moves the first correction so many scatters."""
    (family,) = built.families
    row = np.arange(len(VEHICLES) * ROWS)
    has_it = row % ROWS >= np.array([UPDATED_FROM.get(v, ROWS) for v in VEHICLES])[row // ROWS]
    values = family.panel.values.copy()
    values[:, 0] += 3 * np.sin(row % ROWS / 5)  # a season that all share
    values[has_it, 0] += moved * family.sigma[0]
    panel = replace(family.panel, values=values, calibration=has_it.astype(np.int32), calibrations=("a", "b"))
    return replace(built, families=(replace(family, panel=panel),))


@pytest.mark.parametrize("moved", [0.0, 2.0])
def test_what_an_update_moved_is_told_from_the_season(drift, moved):
    shifts = calibration_shifts(updated(drift(CALM), moved), seed=1)
    assert shifts.select("calibration_from", "calibration_to", "vehicles").unique().rows() == [("a", "b", 8)]
    first = shifts.filter(correction=CODES[0]).row(0, named=True)
    assert first["low"] <= moved * 0.8 <= first["high"]
    assert first["scatters"] == pytest.approx(moved, abs=0.35)
    assert first["high"] - first["low"] < 1.0


def test_no_update_is_no_shift(drift):
    assert calibration_shifts(drift(CALM), seed=1).is_empty()


def test_an_update_after_which_a_trouble_stays_away_is_the_cure():
    before = [
        (f"van-{n % 20:02}", START.replace(year=2030, month=1 + n % 7, day=3) + timedelta(days=n)) for n in range(24)
    ]
    here = ground(before)
    register = pl.DataFrame(
        {
            "engine_family": ["rowan"] * 2,
            "calibration": ["b", "a"],
            "released_on": [None, None],
            "first_read_at": [2, 1],
        }
    ).with_columns(pl.col("calibration").str.to_uppercase())
    effects = calibration_effects(here, register)
    assert effects.select("calibration", "what", "events", "events_before", "effect").rows() == [
        ("B", "ignition_weak", 0, 24, CURES)
    ]
    assert effects["high"].item() < 1


def test_a_module_from_another_vehicle_is_said_with_the_vehicle_and_exchanged_files_are_none(drift, evidence, history):
    weeks = (pl.col("read_at") - START).dt.total_days() // 7
    own = pl.format("m-{}", "vehicle_id")
    donor = (pl.col("vehicle_id") == VEHICLES[0]) & (weeks >= 20)
    gone = (pl.col("vehicle_id") == VEHICLES[5]) & (weeks >= 18)
    swapped = pl.col("vehicle_id").replace({VEHICLES[1]: VEHICLES[2], VEHICLES[2]: VEHICLES[1]})
    exchanged = (weeks >= 25) & (weeks < 28) & pl.col("vehicle_id").is_in(VEHICLES[1:3])
    module = (
        pl.when(donor).then(pl.lit(f"m-{VEHICLES[5]}"))
        .when(gone).then(pl.lit("m-new"))
        .when(exchanged).then(pl.format("m-{}", swapped))
        .otherwise(own)
    )  # fmt: skip
    past = history()
    past = replace(past, readings=past.readings.with_columns(module=module))
    work = {
        "vehicle_id": VEHICLES[0],
        "done_at": START + timedelta(days=7 * 20 - 3),
        "kind": "module_replacement",
        "component": "module",
    }
    known = evidence(work)
    calm, register = drift(CALM), calibration_register(known, past.readings)
    begun = modules.begun_with(calm, evidence=known, history=past)
    found = module_changes(begun, calm.correction_state, evidence=known, history=past, register=register)
    assert found.select("vehicle_id", "from_vehicle", "recorded", "new_module").rows() == [
        (VEHICLES[0], VEHICLES[5], True, f"m-{VEHICLES[5]}"),
        (VEHICLES[5], None, False, "m-new"),
    ]


@pytest.mark.parametrize(("at", "word"), [(0.0, NEUTRAL), (30.0, FOREIGN)])
def test_what_a_module_began_with_is_told_by_its_first_reading(drift, at, word, monkeypatch):
    monkeypatch.setattr(modules, "LEAST_READ", 2)
    path = np.concatenate([np.full(20, 8.0), [at], np.full(ROWS - 21, 8.0)])
    (family,) = drift(path).families
    assert modules._began_with(family, 0, family.panel.read_at[20]) == word
