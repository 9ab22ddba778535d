"""Evidence across corrections: known answers of directions, and an alarm that several corrections bear out together."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from drift_fleets import World, light_fleet
from polars.testing import assert_frame_equal

from pipelines.bands.panel import panels
from pipelines.drift.correction_paths import correction_paths
from pipelines.drift.directions import Direction, combined, patterns
from pipelines.resume.drift_checkpoint import copied
from pipelines.resume.drift_run import straying_since
from pipelines.settings import Settings

WORLD = World(vehicles=32, corrections=12, weeks=60, seed=3)
ONE, FROM_DAY, SIZE = "vehicle-00003", 330.0, 2.2
TOGETHER = [f"channel_{c}" for c in (1, 2, 3, 4)]


def with_banks(fleet):
    """The twelve corrections on three banks of four."""
    corrections = fleet.evidence.corrections.with_columns(
        bank=pl.Series([1 + c // 4 for c in range(12)], dtype=fleet.evidence.corrections["bank"].dtype),
        group=pl.lit("fuel"),
    )
    return replace(fleet, evidence=replace(fleet.evidence, corrections=corrections))


@pytest.fixture
def moved(changed):
    """Function: codes -> the fleet with these of one vehicle off by some sigmas since a day."""

    def build(codes):
        fleet = with_banks(light_fleet(WORLD))
        for code in codes:
            sigma = np.geomspace(0.1, 10, 12)[int(code.removeprefix("channel_")) - 1]
            fleet = changed(
                fleet, code,
                lambda vehicle, day, x, off=SIZE * sigma: x + off * ((vehicle == ONE) & (day >= FROM_DAY)),
            )  # fmt: skip
        return fleet

    return build


def test_four_that_go_together_are_heard_sooner_than_one_alone(moved, drift_of):
    fleet = moved(TOGETHER)
    both = drift_of(fleet)
    said = both.extras["drift_joined"].filter(vehicle_id=ONE)
    assert set(said["correction"]) <= set(TOGETHER)
    assert set("|".join(said["others"]).split("|")) & set(TOGETHER)
    first = said["read_at"].min()
    by_code = drift_of(with_corrections(fleet, bank=None)).families[0]  # nothing says what belongs together
    vehicle = by_code.panel.vehicles.index(ONE)
    rows = slice(by_code.panel.row_start[vehicle], by_code.panel.row_start[vehicle + 1])
    alone = by_code.panel.read_at[rows][by_code.alarm[rows].any(axis=1)]
    assert not len(alone) or alone[0] > np.datetime64(first.replace(tzinfo=None))
    family = both.families[0]
    alarms = family.panel.read_at[rows][family.alarm[rows].any(axis=1)]
    assert alarms[0] == np.datetime64(first.replace(tzinfo=None))


def with_corrections(fleet, **columns):
    corrections = fleet.evidence.corrections.with_columns(**{name: pl.lit(value) for name, value in columns.items()})
    return replace(fleet, evidence=replace(fleet.evidence, corrections=corrections))


def test_healthy_vehicles_and_one_that_moves_alone_are_borne_out_by_nothing(moved, drift_of):
    assert drift_of(moved([])).extras["drift_joined"].is_empty()
    said = drift_of(moved(TOGETHER[:1])).extras["drift_joined"]
    assert set(said["vehicle_id"]) <= {ONE}


def test_going_on_from_a_checkpoint_gives_the_same_and_the_page_ends_on_it(moved, drift_of):
    fleet = moved(TOGETHER)
    full = drift_of(fleet)
    evidence, history = fleet.evidence, fleet.history
    for back in (28, 63):  # before and after the first that was said
        early = evidence.as_of - timedelta(days=back)
        known = replace(evidence, as_of=early, snapshots=evidence.snapshots.filter(pl.col("read_at") <= early))
        past = replace(history, readings=history.readings.filter(pl.col("read_at") <= early))
        kept, rest = [], {"settings": Settings(), "put": copied}
        straying_since(None, panels(known, past), evidence=known, history=past, keep=kept.append, **rest)
        again = straying_since(
            kept[0], panels(evidence, history), evidence=evidence, history=history, keep=kept.append, **rest
        )
        assert_frame_equal(again.correction_state, full.correction_state, check_exact=True)
        assert_frame_equal(again.extras["drift_joined"], full.extras["drift_joined"], check_exact=True)
    mine = pl.col("vehicle_id") == ONE
    one = replace(evidence, snapshots=evidence.snapshots.filter(mine), vehicles=evidence.vehicles.filter(mine))
    last = correction_paths(one, full.extras).group_by("correction").last().sort("correction")
    states = full.correction_state.filter(mine)
    np.testing.assert_array_equal(last["expected"], states["expected"])
    assert full.extras["drift_joined"].filter(mine).height  # a change inside the band may have ended as an alarm since


def test_a_direction_of_independent_equals_is_their_mean_and_what_was_not_read_is_left_out():
    direction = Direction(
        members=np.arange(4), pattern=np.ones(4), weights=np.full((1, 4), 1.0), together=np.eye(4)[None]
    )
    scores = np.array([[1.0, 1.0, 1.0, 1.0], [1.0, 1.0, np.nan, np.nan], [1.0, np.nan, np.nan, np.nan]], np.float32).T
    found = combined(direction, scores, np.zeros(3, dtype=np.int32))
    np.testing.assert_allclose(found, [2.0, np.sqrt(2.0), np.nan], rtol=1e-6)


def test_noise_that_two_share_is_taken_out_of_what_one_does():
    """Of two with correlation 0.8 one moves: signal over noise 1 / sqrt(1 - 0.64), regression-adjusted."""
    together = np.array([[1.0, 0.8], [0.8, 1.0]])
    weights = np.linalg.solve(together, [1.0, 0.0])
    direction = Direction(
        members=np.arange(2), pattern=np.array([1.0, 0.0]), weights=weights[None], together=together[None]
    )
    found = combined(direction, np.array([[1.0], [0.0]], np.float32), np.zeros(1, dtype=np.int32))
    assert found[0] == pytest.approx(1 / 0.6, rel=1e-6)


def test_patterns_are_those_of_causes_and_of_banks(moved):
    fleet = moved([])
    found = patterns(panels(fleet.evidence, fleet.history)[0], fleet.evidence)
    assert (found.even.sum(), found.share[found.even].sum(axis=1).tolist()) == (3, [4.0, 4.0, 4.0])
