import numpy as np
import polars as pl
import pytest

from pipelines.history.learned import Learned
from pipelines.history.reading_rows import reading_rows
from pipelines.history.reconstruct import reconstruct, reconstructed_and_learned
from pipelines.history.stuck_values import stuck_values

WEEKS = 52
HOURS = [10.0 * week for week in range(WEEKS)]
LAW = {"neutral": 0.0, "low_limit": -5.0, "high_limit": 5.0, "resolution": 0.1}
CATALOGUE = [{"code": code, **LAW} for code in ("a", "b", "c", "d", "e")]


@pytest.fixture
def fleet(evidence, weekly):
    """Twelve vehicles with noisy values in steps of `step`; changes to single series by (vehicle, code)."""

    def make(changes=(), hours=HOURS, step=0.1):
        rng = np.random.default_rng(1)
        snapshots = []
        for number in range(12):
            values = {row["code"]: (rng.normal(0.0, 0.5, WEEKS) / step).round() * step for row in CATALOGUE}
            for vehicle, code, series in changes:
                if vehicle == number:
                    values[code][: len(series)] = series
            columns = {code: series.round(3).tolist() for code, series in values.items()}
            snapshots += weekly(f"v{number:02d}", hours, **columns)
        return evidence(snapshots=snapshots, corrections=CATALOGUE)

    return make


def found(given, known=None):
    return stuck_values(reading_rows(given), given, known or Learned.nothing())[0]


def test_a_value_that_stands_still_in_use_is_named_with_its_run(fleet, day):
    (run,) = found(fleet([(3, "b", [0.4] * 9)])).to_dicts()
    assert (run["vehicle_id"], run["correction"], run["value"]) == ("v03", "b", pytest.approx(0.4))
    assert (run["at"], run["until"], run["repeats"]) == (day(0), day(56), 8)


def test_it_is_a_notice_about_the_record(fleet, day):
    notices = reconstruct(fleet([(3, "b", [0.4] * 9), (3, "c", [0.2] * 9)])).notices
    (notice,) = notices.filter(pl.col("kind") == "value_stuck").to_dicts()
    assert (notice["vehicle_id"], notice["at"]) == ("v03", day(0))
    assert notice["text"].startswith("b, c stood still to the last digit until 2031-03-03 while the vehicle was used")


def test_coarse_values_repeat_by_chance(fleet):
    assert found(fleet([(3, "b", [0.0] * 9)], step=1.0)).is_empty()


def test_how_readily_values_repeat_others_of_the_family_may_have_taught(fleet):
    known = reconstructed_and_learned(fleet(step=1.0))[1]
    assert found(fleet([(3, "b", [0.0] * 9)]), known).is_empty()


def test_a_vehicle_that_often_stands_still_is_used_that_way(fleet):
    calm = ([0.4] * 8 + [0.5]) * 5
    assert found(fleet([(3, "b", calm)])).is_empty()


def test_a_vehicle_that_was_not_used_does_not_stand_still(fleet):
    parked = [min(hours, 50.0) for hours in HOURS]
    still = [(number, "b", [0.0] * 5 + [0.4] * 40) for number in range(3)]
    assert found(fleet(still, hours=parked)).is_empty()


def test_many_corrections_that_stand_still_together_are_a_module_that_does_not_learn(fleet):
    assert found(fleet([(3, code, [0.4] * 9) for code in "abcd"])).is_empty()


@pytest.mark.parametrize("value", [0.0, 5.0, 4.9])
def test_a_value_at_neutral_or_at_a_limit_rests_there(fleet, value):
    assert found(fleet([(3, "b", [value] * 9)])).is_empty()


def test_where_several_vehicles_stand_at_the_same_time_it_is_no_fault(fleet):
    still = [(number, "b", [0.4] * (20 + number)) for number in (2, 3, 4)]
    assert found(fleet(still)).is_empty()
    assert found(fleet(still[:2])).height == 2


def test_runs_of_other_times_explain_nothing(fleet):
    noise = [0.1, 0.3, -0.2, 0.5, -0.4, 0.2, -0.1, 0.6, -0.3, 0.7] * 4
    still = [(number, "b", noise[: 13 * place] + [0.4] * 12) for place, number in enumerate((2, 3, 4))]
    assert found(fleet(still))["vehicle_id"].to_list() == ["v02", "v03", "v04"]
