"""Vehicles judged by what others taught: alike whoever is judged beside them, and on their page as in the analysis."""

from dataclasses import replace

import numpy as np
import polars as pl
from drift_fleets import World, light_fleet
from polars.testing import assert_frame_equal

from pipelines.bands.panel import panels
from pipelines.drift.correction_paths import correction_paths
from pipelines.drift.stage import straying_and_learned
from pipelines.handover import WholeFleet
from pipelines.settings import Settings

FLEET = light_fleet(World(vehicles=36, corrections=4, weeks=40, resets=0.5, drifting=0.9, calibrations=1, seed=3))
NAMES = FLEET.evidence.vehicles["vehicle_id"].to_list()
READ = {family: frozenset(FLEET.evidence.corrections["code"]) for family in FLEET.evidence.vehicles["engine_family"]}
WHOLE = WholeFleet(read=READ, first_day=float(FLEET.day.min()))


def some(names, whole=WHOLE):
    """Evidence and history of some vehicles."""
    ours = pl.col("vehicle_id").is_in(names)
    own = {name: getattr(FLEET.evidence, name).filter(ours) for name in ("vehicles", "snapshots")}
    history = FLEET.history
    return {
        "evidence": replace(FLEET.evidence, **own, whole=whole),
        "history": replace(history, readings=history.readings.filter(ours), epochs=history.epochs.filter(ours)),
    }


def judged(names, learned=None):
    known = some(names)
    return straying_and_learned(panels(**known), **known, settings=Settings(), learned=learned)


def test_a_vehicle_is_judged_alike_whoever_is_judged_beside_it():
    _, learned = judged(NAMES[:20])
    together, _ = judged(NAMES[20:], learned)
    apart = [judged(names, learned)[0].correction_state for names in (NAMES[20:23], NAMES[23:])]
    assert_frame_equal(pl.concat(apart), together.correction_state, check_exact=True)
    assert together.correction_state["alarm"].any()
    assert "drift_model" not in together.extras


def test_a_place_or_a_calibration_that_nobody_taught_of_is_judged_as_new():
    _, learned = judged(NAMES[:20])
    known = some(NAMES[20:])
    readings = known["history"].readings.with_columns(depot=pl.lit("elsewhere"), calibration=pl.lit("unheard of"))
    known["history"] = replace(known["history"], readings=readings)
    drift, _ = straying_and_learned(panels(**known), **known, settings=Settings(), learned=learned)
    assert drift.correction_state["expected"].is_not_null().all()


def test_its_page_takes_no_share_of_it_out_of_what_others_taught():
    first, learned = judged(NAMES[:20])
    second, _ = judged(NAMES[20:], learned)
    extras = {**first.extras, "drift_joined": second.extras["drift_joined"]}
    extras["drift_taught_by_others"] = second.extras["drift_taught_by_others"]
    for name in NAMES[20:24]:
        last = (
            correction_paths(some([name], None)["evidence"], extras).group_by("correction", maintain_order=True).last()
        )
        states = second.correction_state.filter(pl.col("vehicle_id") == name)
        np.testing.assert_allclose(last["expected"], states["expected"], rtol=1e-6)
