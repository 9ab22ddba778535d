"""States alone and forecasts of the past in parts: those of the whole analysis in the same parts, and of one part."""

from dataclasses import replace
from datetime import timedelta

import pytest
from polars.testing import assert_frame_equal

from pipelines.backtest import scored
from pipelines.parts import fleets
from pipelines.parts.fleets import past_in_parts
from pipelines.parts.readings import InStore
from pipelines.parts.runs import states_in_parts
from pipelines.parts.work import InThisProcess, Plan
from pipelines.settings import Settings

from .conftest import CELLS, tables_in_parts


@pytest.fixture(scope="module")
def plan(store, fleet):
    source = InStore(path=store.path, as_of=fleet.evidence.as_of, known_at=None, judged=fleet.judged)
    return Plan.of(fleet.evidence, fleet.shown, source, settings=Settings(), most_cells=CELLS)


def test_states_alone_are_those_of_the_analysis_in_parts(plan, here):
    told = []
    states = states_in_parts(plan, InThisProcess(), ranked_before=here["cause_ranking"], progress=told.append)
    assert len(told) == len(plan.parts) > 2
    assert_frame_equal(states, here["correction_state"])


def test_a_backtest_in_parts_scores_every_vehicle_once_and_alike_on_a_worker(store, evidence, monkeypatch, one_worker):
    dates = [evidence.as_of - timedelta(days=days) for days in (120, 40)]

    def again(most_here, runner, dates=dates):
        made_at, record, now = past_in_parts(store, Settings(), as_known=False, runner=runner, most_here=most_here)
        return scored(made_at, record, now, dates=dates, seed=Settings().seed)

    one = again(10**9, InThisProcess(), dates[1:])["forecast_past"]
    monkeypatch.setattr(fleets.Plan, "of", of_small_parts(fleets.Plan.of))
    tables = again(0, InThisProcess())
    past, key = tables["forecast_past"].filter(forecast_at=dates[1]), ["vehicle_id", "horizon_days"]
    assert_frame_equal(past.select(key).sort(key), one.select(key).sort(key))
    assert past["known"].to_list() == past.select(key).join(
        one, on=key, maintain_order="left"
    )["known"].to_list()  # fmt: skip
    monkeypatch.setattr(one_worker, "hands", 2)  # both dates are under way at once
    for name, frame in again(0, one_worker).items():
        assert_frame_equal(frame, tables[name], rel_tol=1e-9, abs_tol=1e-9)


def of_small_parts(of):
    return lambda *args, **kwargs: of(*args, **{**kwargs, "most_cells": 2 * CELLS})


def test_a_vehicle_is_judged_alike_whatever_part_it_is_in(plan, here, tmp_path):
    first, *others = plan.parts
    together = replace(plan, parts=[first, sorted(name for part in others for name in part)])
    for name, frame in tables_in_parts(together, InThisProcess(), tmp_path / "parts").items():
        assert_frame_equal(here[name], frame, rel_tol=1e-9, abs_tol=1e-9)
