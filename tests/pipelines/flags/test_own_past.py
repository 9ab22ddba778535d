from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.checks import checks
from pipelines.flags.own_past import own_past_flags
from pipelines.flags.single_values import value_flags

START = datetime(2031, 1, 6, tzinfo=UTC)
WEEKS = 20


def frame(vehicles, **columns):
    """Weekly readings about 17 h of vehicles with their own odometer and clock; columns by vehicle number."""
    rng = np.random.default_rng(1)
    rows = []
    for number in range(vehicles):
        for week in range(WEEKS):
            row = {
                "vehicle_id": f"v{number:02d}",
                "read_at": START + timedelta(days=7 * week, hours=15 + 4 * rng.random()),
                "load_id": 1,
                "odometer_km": 20_000.0 * (number + 1) + 400.0 * week,
                "ignition_hours": 700.0 * (number + 1) + 10.0 * week,
            }
            rows.append(row | {name: make(number, week, row) for name, make in columns.items()})
    return pl.DataFrame(rows).cast({"load_id": pl.Int32, "read_at": pl.Datetime("us", "UTC")})


def reasons(check):
    return [one.reason for one in checks() if one.check == check]


def flagged(flags, check):
    mine = flags.filter(pl.col("reason").is_in(reasons(check)))
    return mine.select("vehicle_id", pl.col("detail").str.slice(0, 10).alias("day")).rows()


def shifted(vehicle, weeks, hours):
    def make(number, week, row):
        return row["read_at"] + timedelta(hours=hours if number == vehicle and week in weeks else 0)

    return make


def day(week):
    return str((START + timedelta(days=7 * week)).date())


@pytest.mark.parametrize("hours", [-8, -5, 5])
def test_a_month_of_readings_stamped_hours_off_is_flagged(hours):
    march = range(8, 13)
    flags = own_past_flags(frame(12, read_at=shifted(3, march, hours)))
    assert flagged(flags, "time_of_day") == [("v03", day(week)) for week in march]


def test_a_vehicle_that_is_always_read_at_night_is_not_off():
    flags = own_past_flags(frame(12, read_at=shifted(3, range(WEEKS), 12)))
    assert flagged(flags, "time_of_day") == []


def test_nothing_is_said_of_vehicles_that_are_read_at_any_time():
    rng = np.random.default_rng(2)
    rows = frame(12, read_at=lambda _number, _week, row: row["read_at"] + timedelta(hours=24 * rng.random()))
    assert flagged(own_past_flags(rows), "time_of_day") == []


def odometers(km, vehicles=4):
    """Flagged as miles, where vehicle 2 reads these kilometres week by week."""
    rows = frame(vehicles, odometer_km=lambda number, week, row: km(week) if number == 2 else row["odometer_km"])
    return flagged(own_past_flags(rows), "miles")


def test_miles_are_told_from_where_they_begin_to_where_they_end():
    def km(week):
        return (60_000.0 + 400.0 * week) / (1.609344 if week in range(5, 9) else 1.0)

    assert odometers(km) == [("v02", day(week)) for week in range(5, 9)]


def test_a_young_odometer_that_grows_by_as_much_as_miles_take_off_is_not_in_miles():
    assert odometers(lambda week: 500.0 + 400.0 * week) == []


def test_another_break_ends_what_looked_like_miles():
    def km(week):
        in_miles = (60_000.0 + 400.0 * week) / (1.609344 if week in range(5, 9) else 1.0)
        return in_miles + (200_000.0 if week >= 9 else 0.0)

    assert odometers(km) == [("v02", day(week)) for week in range(5, 9)]


@pytest.mark.parametrize("missing", [-1000.0, 4000.0])
def test_an_odometer_set_back_by_about_as_much_as_miles_take_off_is_not_in_miles(missing):
    def km(week):
        return 60_000.0 + 400.0 * week if week < 5 else (61_600.0 + missing) / 1.609344 + 400.0 * (week - 5)

    assert odometers(km) == []


@pytest.mark.parametrize(("in_miles", "told"), [(range(5, WEEKS), range(5, 14)), (range(12), range(3, 12))])
def test_miles_that_do_not_end_or_did_not_begin_are_told_where_they_change(in_miles, told):
    def km(week):
        return (60_000.0 + 400.0 * week) / (1.609344 if week in in_miles else 1.0)

    assert odometers(km) == [("v02", day(week)) for week in told]


CODES = [f"c{i}" for i in range(8)]


def learned(changes=(), vehicles=6, **columns):
    """Values about 2 in steps of 0.1; changes: (vehicle, code, week) -> value."""
    rng = np.random.default_rng(3)
    told = dict(changes)

    def series(code):
        return lambda number, week, _row: told.get((number, code, week), round(2.0 + 0.2 * rng.normal(), 1))

    return frame(vehicles, **{code: series(code) for code in CODES}, **columns)


def spikes(rows):
    catalogue = pl.DataFrame({"code": CODES, "resolution": 0.1, "neutral": 6.0})
    flags = value_flags(rows, catalogue).filter(pl.col("reason").is_in(reasons("spike")))
    return flags.select("vehicle_id", "column_name", pl.col("detail").str.slice(0, 10)).rows()


def test_one_value_far_from_those_before_and_after_is_flagged():
    assert spikes(learned({(2, "c5", 9): 6.0}.items())) == [("v02", "c5", day(9))]


@pytest.mark.parametrize(("tail", "told"), [("normal", True), ("heavy", False)])
def test_a_value_is_held_against_the_tail_of_its_correction(tail, told):
    rng = np.random.default_rng(6)
    noise = rng.normal(size=10_000) if tail == "normal" else rng.standard_t(3, size=10_000)
    value = 0.3 * noise.reshape(100, 100) / np.median(np.abs(np.diff(noise)))
    value[50, 49:52] = 0.0, 2.0, 0.0
    rows = pl.DataFrame({"vehicle_id": np.repeat(np.arange(100), 100), "week": np.tile(np.arange(100), 100)}).select(
        vehicle_id=pl.format("v{}", "vehicle_id"),
        read_at=START + pl.duration(weeks="week"),
        load_id=1,
        c5=value.ravel(),
    )
    assert (("v50", "c5", day(50)) in spikes(rows.cast({"load_id": pl.Int32}))) == told


def test_a_first_value_far_from_the_two_after_it_is_flagged():
    assert spikes(learned({(2, "c5", 0): 6.0}.items())) == [("v02", "c5", day(0))]


def test_the_newest_value_is_told_when_the_next_is_there():
    changes = {(2, "c5", 9): 6.0}.items()
    assert spikes(learned(changes).filter(pl.col("read_at") < START + timedelta(days=70))) == []
    assert spikes(learned(changes).filter(pl.col("read_at") < START + timedelta(days=77))) == [("v02", "c5", day(9))]


def test_a_module_begun_anew_at_a_reading_without_the_value_is_remembered():
    rows = learned({(2, "c5", 9): None, (2, "c5", 10): 6.0}.items())
    anew = pl.when(pl.col("read_at") < START + timedelta(days=63)).then(pl.lit("K1")).otherwise(pl.lit("K2"))
    assert spikes(rows) == [("v02", "c5", day(10))]
    assert spikes(rows.with_columns(calibration=anew)) == []


@pytest.mark.parametrize(
    "changes",
    [
        {(2, "c5", week): 6.0 for week in range(9, WEEKS)},  # it stays there
        {(2, code, 9): 6.0 for code in CODES[:5]},  # many together: something happened to the vehicle
        {(2, "c5", 9): 2.8},  # within the noise
    ],
)
def test_what_stays_or_comes_together_or_is_small_is_no_misreading(changes):
    assert spikes(learned(changes.items())) == []


@pytest.mark.parametrize(("value", "expected"), [(6.0, []), (-2.0, [("v02", "c5", day(9))])])
def test_a_value_near_neutral_at_which_the_module_began_anew_is_no_misreading(value, expected):
    def calibration(number, week, _row):
        return "K2" if number == 2 and week >= 9 else "K1"

    assert spikes(learned({(2, "c5", 9): value}.items(), calibration=calibration)) == expected


def test_a_vehicle_that_always_scatters_is_judged_by_its_own_changes():
    rng = np.random.default_rng(4)
    wild = {(2, "c5", week): round(2.0 + 2.0 * rng.normal(), 1) for week in range(WEEKS)}
    assert spikes(learned(wild.items())) == []
