from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.forecast.active_faults import ActiveFaults, Mended, fault_codes
from pipelines.forecast.features import features_of
from pipelines.forecast.origins import origins_at
from pipelines.forecast.outcomes import days, record_of

PARTS = {"trim_a": "filter|fuel_system", "trim_b": "fuel_pump", "idle_a": "throttle", "idle_b": "throttle"}


def seen(fleet, done, ended=None):
    """Record, origins now, and corrections mended just now, after work on some parts so many days ago."""
    now = fleet.evidence.as_of
    stamp = pl.Datetime("us", "UTC")
    work = pl.DataFrame(
        [("v000", now - timedelta(days=ago), "replacement", part) for part, ago in done.items()],
        schema={"vehicle_id": pl.String, "done_at": stamp, "kind": pl.String, "component": pl.String},
        orient="row",
    )
    corrections = fleet.evidence.corrections.with_columns(
        component=pl.col("code").replace_strict(PARTS, return_dtype=pl.String)
    )
    evidence = replace(
        fleet.evidence, work=pl.concat([fleet.evidence.work.clear(), work], how="diagonal"), corrections=corrections
    )
    history = fleet.history
    if ended is not None:
        event = pl.DataFrame(
            {
                "vehicle_id": ["v000"], "code": ["P0171"], "found_at": [now - timedelta(days=40)],
                "set_at": [now - timedelta(days=41)], "ended_at": [now - timedelta(days=ended)], "ended": ["repaired"],
            }
        ).cast(dict.fromkeys(("found_at", "set_at", "ended_at"), stamp))  # fmt: skip
        history = replace(history, fault_events=event)
    record = record_of(evidence, history)
    today = float(days(pl.Series([now.replace(tzinfo=None)]))[0])
    here = origins_at(fleet.drift, record, np.array([today]))
    return evidence, history, record, here


def test_a_correction_whose_part_was_mended_just_now_no_longer_counts(faultless_fleet):
    """The newest reading is four hours old, the one before it a week."""
    evidence, _, record, here = seen(faultless_fleet, {"fuel_system": 3.0, "fuel_pump": 20.0})
    mended = Mended(evidence, record).just(here, faultless_fleet.drift.families[0])
    assert mended[0].tolist() == [True, False, False, False]
    assert not mended[1:].any()


@pytest.mark.parametrize(("ended", "counts"), [(3.0, False), (20.0, True)])
def test_a_side_whose_fault_was_mended_just_now_does_not_count_yet(faultless_fleet, ended, counts):
    evidence, history, record, here = seen(faultless_fleet, {}, ended=ended)
    active = ActiveFaults(history, record)
    _, high = active.done(here, faultless_fleet.drift.families[0], fault_codes(evidence))
    assert high[0].tolist() == [not counts, not counts, False, False]
    assert active.count(here).sum() == 0


def test_a_vehicle_fresh_from_the_workshop_does_not_look_like_one_about_to_fail(faultless_fleet):
    fleet = faultless_fleet
    values = fleet.drift.families[0].panel.values.copy()
    values[:30, 0] = np.linspace(0, 19, 30)
    panel = replace(fleet.drift.families[0].panel, values=values)
    leeway = fleet.drift.families[0].leeway.copy()
    leeway[:30, 0] = 100 * (1 - values[:30, 0] / 20)
    drift = replace(fleet.drift, families=(replace(fleet.drift.families[0], panel=panel, leeway=leeway),))
    passages = []
    for done in ({}, {"fuel_system": 3.0}):
        evidence, history, record, here = seen(replace(fleet, drift=drift), done)
        features = features_of(here, drift, fleet.outliers, record, evidence=evidence, history=history)
        passages.append(features.passage[0, 3])
    assert passages[0] > 0.6
    assert passages[1] < 0.1
