"""Checks and their results; about a second."""

from datetime import timedelta
from math import log

import polars as pl
import pytest

from pipelines.catalogue.tables import entry_columns, published_tables
from pipelines.causes.knowledge import causes, checks
from pipelines.causes.next_check import NONE, after_results, next_checks, parting_check, settled_shares
from pipelines.causes.ranking import rank_causes
from pipelines.handover import SEEN_TO

from .conftest import AS_OF, as_drift
from .test_ranking import far, work


def ranking(**chances):
    rows = [{"vehicle_id": "van-1", "cause": cause, "probability": p} for cause, p in chances.items()]
    frame = pl.DataFrame(rows).with_columns(rank=pl.int_range(1, pl.len() + 1))
    empty = published_tables()["cause_ranking"].empty()
    return pl.concat([empty, frame.cast({"rank": empty.schema["rank"]})], how="diagonal")


def entries(*rows):
    schema = {**entry_columns().schema, **SEEN_TO}
    return pl.DataFrame(
        [
            {"entry_id": f"{n:04}", "entered_at": at, "kind": "check", "vehicle_id": "van-1", "subject": check,
             "value": result}
            for n, (check, result, at) in enumerate(rows)
        ],
        schema=schema,
    )  # fmt: skip


@pytest.mark.parametrize("check", checks().values(), ids=lambda check: check.id)
def test_a_check_has_results_with_chances_that_sum_to_one_and_tells_something(check):
    assert check.minutes > 0
    assert 2 <= len(check.results) <= 3
    assert not any("|" in f"{result}{words}" or ":" in result for result, words in check.results.items())
    assert set(check.tells) <= set(causes())
    assert check.tells
    for chances in (check.others, *check.tells.values()):
        assert len(chances) == len(check.results)
        assert sum(chances) == pytest.approx(1)
        assert min(chances) > 0


def test_every_cause_has_checks_that_tell_something_of_it():
    for cause in causes().values():
        assert sum(cause.id in check.tells for check in cause.checks) >= 2, cause.id
        assert all((cause.reset, cause.relearning, cause.driven_by))
        assert 0 < cause.sudden < 1


def test_the_share_that_a_check_settles_is_the_mutual_information_over_the_doubt():
    names = [*causes(), NONE]
    chance = pl.Series([{"thermostat_open": 0.5, "coolant_sensor_biased": 0.5}.get(name, 0.0) for name in names])
    settles = settled_shares(chance.to_numpy()[None])[0, list(checks()).index("cold_soak")]
    differs, rest = (0.9, 0.03), (0.1, 0.97)
    left = sum(sum(pair) / 2 * -sum(p / sum(pair) * log(p / sum(pair)) for p in pair) for pair in (differs, rest))
    assert settles == pytest.approx(1 - left / log(2))


def test_the_check_offered_first_settles_most_a_minute_and_names_its_results():
    offered = next_checks(ranking(thermostat_open=0.5, coolant_sensor_biased=0.45, **{NONE: 0.05}), {})
    assert offered.schema == published_tables()["next_check"].schema
    first = offered.row(0, named=True)
    assert (first["check_id"], first["rank"]) == ("cold_soak", 1)
    assert first["results"] == "differs: coolant differs|agrees: all agree"
    worth = (offered["settles"] / offered["minutes"]).to_list()
    assert worth == sorted(worth, reverse=True)


def test_a_check_that_was_done_is_not_offered_again_and_a_healthy_vehicle_has_none():
    asked = ranking(thermostat_open=0.5, coolant_sensor_biased=0.45, **{NONE: 0.05})
    again = next_checks(asked, {"van-1": [("cold_soak", "agrees")]})
    assert "cold_soak" not in again["check_id"].to_list()
    assert next_checks(ranking(thermostat_open=0.02, **{NONE: 0.98}), {}).is_empty()


def test_a_result_that_is_entered_changes_the_ranking_at_once():
    before = ranking(thermostat_open=0.5, coolant_sensor_biased=0.4, **{NONE: 0.1})
    after = after_results(before, [("cold_soak", "differs")])
    assert after["probability"].sum() == pytest.approx(1)
    assert after.row(0, named=True)["cause"] == "coolant_sensor_biased"
    assert after["rank"].to_list() == [1, 2, 3]


def test_results_count_in_the_next_analysis_until_work_is_done(healthy, evidence, history):
    family = far(healthy(codes=("coolant_model",)), coolant_model=-9.0)

    def said(*rows, **tables):
        known = evidence(("van-1",), entries=entries(*rows), **tables)
        ranked = rank_causes(as_drift(family), evidence=known, history=history())
        return dict(ranked.select("cause", "probability").iter_rows()), ranked.row(0, named=True)["evidence"]

    before = AS_OF - timedelta(days=2)
    untold, _ = said()
    told, words = said(("cold_soak", "differs", before))
    odds = [found["coolant_sensor_biased"] / found["thermostat_open"] for found in (told, untold)]
    assert odds[0] / odds[1] == pytest.approx(0.9 / 0.03, rel=0.05)
    assert "Checked, speaks for it: After a night's rest" in words
    corrected, _ = said(("cold_soak", "differs", before), ("cold_soak", "agrees", before + timedelta(hours=1)))
    assert corrected["coolant_sensor_biased"] < untold["coolant_sensor_biased"]
    assert said(("cold_soak", "no such result", before))[0] == untold
    done = work(vehicle_id=["van-1"], done_at=[before + timedelta(hours=1)], kind=["replacement"], component=["tyre"])
    empty = evidence(("van-1",)).work
    worked, _ = said(("cold_soak", "differs", before), work=pl.concat([empty, done], how="diagonal_relaxed"))
    assert worked == pytest.approx(untold)


def test_two_causes_are_parted_by_the_check_that_does_so_soonest():
    assert parting_check("coolant_sensor_biased", "thermostat_open").id == "cold_soak"
    assert parting_check("ignition_weak", "compression_low").id == "relative_compression"
