"""What confirmed repairs teach; about two seconds."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import beta

from pipelines.causes.confirmed import Learned
from pipelines.causes.priors import NO_FAULT_SHARE, OTHER_SHARE, shares_beyond
from pipelines.causes.ranking import learn_causes, rank_causes

from .conftest import AS_OF, as_drift, plant
from .test_ranking import work

IDS = tuple(f"van-{n:02}" for n in range(80))


def repaired(evidence, causes):
    """Work an hour after the newest reading, with what it turned out to be."""
    rows = work(
        vehicle_id=list(IDS[: len(causes)]),
        done_at=[AS_OF + timedelta(hours=1)] * len(causes),
        kind=["replacement"] * len(causes),
        component=["egr_valve"] * len(causes),
        cause=causes,
    )
    return evidence(IDS, work=pl.concat([evidence(IDS).work, rows], how="diagonal_relaxed"))


def fleet(healthy, companions):
    """Twelve vehicles with a restricted recirculation whose knock retard moves `companions` times what is known."""
    family = healthy(IDS, seed=3)
    for vehicle in range(12):
        plant(family, "egr_restricted", "restricted", severity=0.4, vehicle=vehicle)
        row = family.panel.row_start[vehicle + 1] - 1
        knock = np.array([code.startswith("knock") for code in family.panel.codes])
        family.z[row, knock] *= companions
        family.deviation[row, knock] *= companions
    return family


def test_a_fleet_whose_engines_differ_from_the_knowledge_widens_the_signatures_and_others_less(healthy, evidence):
    alike, unlike = (
        learn_causes(as_drift(fleet(healthy, factor)), repaired(evidence, ["egr_restricted"] * 12)).spread
        for factor in (1.0, 3.5)
    )
    assert unlike["egr_restricted"] > 1.3 * alike["egr_restricted"]
    assert alike["thermostat_open"] < unlike["thermostat_open"] < unlike["egr_restricted"]


def test_how_often_what_was_named_was_so_is_counted_with_its_interval(healthy, evidence):
    causes = ["egr_restricted"] * 9 + ["no_fault_found", "other", "egr_restricted"]
    taught = learn_causes(as_drift(fleet(healthy, 1.0)), repaired(evidence, causes))
    (row,) = taught.shares.to_dicts()
    assert (row["cause"], row["looked_into"], row["confirmed"]) == ("egr_restricted", 12, 10)
    assert [row["low"], row["high"]] == pytest.approx(beta.ppf([0.05, 0.95], 10.5, 2.5))
    assert taught.cases["egr_restricted"] == 10
    told = {row["cause"]: row for row in taught.table().to_dicts()}
    assert (told["egr_restricted"]["cases"], told["egr_restricted"]["confirmed"]) == (10, 10)
    assert (told["no_fault_found"]["cases"], told["no_fault_found"]["looked_into"]) == (1, 0)
    assert 0.5 < told["egr_restricted"]["spread"] < 2
    assert Learned().table().is_empty()


def test_an_inspection_that_found_no_fault_counts_as_looked_into(healthy, evidence):
    known = repaired(evidence, ["egr_restricted"] * 3 + ["no_fault_found"])
    looked = pl.when(pl.col("cause") == "no_fault_found").then(pl.lit("inspection")).otherwise("kind")
    known = replace(known, work=known.work.with_columns(kind=looked))
    (row,) = learn_causes(as_drift(fleet(healthy, 1.0)), known).shares.to_dicts()
    assert (row["looked_into"], row["confirmed"]) == (4, 3)


def test_the_ranking_says_how_many_confirmed_cases_stand_behind_it(healthy, evidence, history):
    family, known = fleet(healthy, 1.0), repaired(evidence, ["egr_restricted"] * 9)
    taught = learn_causes(as_drift(family), known)
    said = rank_causes(as_drift(family), evidence=evidence(IDS), history=history(), taught=taught)
    first = said.filter(vehicle_id=IDS[11], rank=1).row(0, named=True)
    assert "Behind it: 9 confirmed cases of this fleet; named first and looked into 9 times" in first["evidence"]


def test_without_confirmed_repairs_nothing_is_learned(healthy, evidence):
    taught = learn_causes(as_drift(healthy(IDS)), evidence(IDS))
    assert taught.spread == Learned().spread == {}
    assert taught.shares.is_empty()


def test_no_fault_found_and_other_count(evidence):
    assert shares_beyond(evidence(IDS).work) == pytest.approx((OTHER_SHARE, NO_FAULT_SHARE))
    other, no_fault = shares_beyond(repaired(evidence, ["other"] * 6 + ["no_fault_found"] * 12).work)
    assert other > 2 * OTHER_SHARE
    assert no_fault > 2 * NO_FAULT_SHARE
