import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.recurring.events import drifts_of, events
from pipelines.recurring.exposure import vehicle_months
from pipelines.recurring.issues import issue_id
from pipelines.recurring.repairs import EXTRA
from pipelines.recurring.returns import jobs
from pipelines.recurring.seen import Seen
from pipelines.recurring.stage import recurring

from .conftest import DONE_AT, ROWS, START, VEHICLES

NO_RANKING = published_tables()["cause_ranking"].empty()
NO_OUTCOME = pl.DataFrame(schema={**published_tables()["repair_outcome"].schema, **EXTRA})
CALM = np.zeros(ROWS)


def compared(drift, known, past):
    seen = Seen.of(drift, evidence=known, history=past)
    return recurring(seen, drift.correction_state, NO_RANKING, evidence=known, history=past, moved=None)


def findings(drift, known, past):
    return compared(drift, known, past)["recurring_issue"]


def code(vehicle, week, name="P0506"):
    at = START + timedelta(days=7 * week)
    return {"vehicle_id": vehicle, "code": name, "found_at": at, "set_at": at, "ended": "open"}


def job(vehicle, at, **columns):
    return {"vehicle_id": vehicle, "done_at": at, "kind": "replacement", "component": "o2_upstream", **columns}


def at_depot(known, past, depot_of):
    """The same fleet with vehicles at other depots."""
    readings = past.readings.with_columns(depot=pl.col("vehicle_id").replace_strict(depot_of))
    return known, type(past)(
        readings=readings, epochs=past.epochs, fault_events=past.fault_events, notices=past.notices
    )


def test_vehicle_months_are_the_time_between_first_and_last_reading(evidence, history):
    months = vehicle_months(evidence(), history())
    days = 7 * (ROWS - 1)
    total = months.group_by("vehicle_id").agg(pl.col("exposure").sum())["exposure"]
    assert total.to_list() == pytest.approx([days / 30.4375] * len(VEHICLES))
    assert months["km_class"].unique().to_list() == ["under 50,000 km"]
    assert months.filter(vehicle_id="van-00")["quarter"].head(4).to_list() == ["2030 Q1"] * 3 + ["2030 Q2"]


def test_a_code_counts_once_until_the_vehicle_is_mended(drift, evidence, history):
    past = history(code("van-00", 5), code("van-00", 9), code("van-00", 30), code("van-01", 30))
    calm = drift(CALM)

    def found(known):
        every = events(drifts_of(calm), calm.correction_state, NO_RANKING, evidence=known, history=past)
        return every.select("vehicle_id", "what", "at").rows()

    assert [row[0] for row in found(evidence())] == ["van-00", "van-01"]
    assert [row[0] for row in found(evidence(job("van-00", DONE_AT)))] == ["van-00", "van-00", "van-01"]


def test_drifts_that_begin_together_are_one_event_of_the_strongest(drift, evidence, history):
    alarmed = drift(CALM, alarm_last=True)
    alarmed.families[0].evidence[ROWS - 1] = [15.0, 30.0]
    states = alarmed.correction_state
    found = events(drifts_of(alarmed), states, NO_RANKING, evidence=evidence(), history=history())
    assert found.select("vehicle_id", "what", "kind").rows() == [("van-00", "throttle_area", "correction")]


def test_a_depot_where_a_code_keeps_coming_is_an_issue_in_plain_words(drift, evidence, history):
    bad = VEHICLES[:6]
    known, past = at_depot(
        evidence(),
        history(*(code(vehicle, 4 + 6 * n) for n, vehicle in enumerate(bad))),
        {vehicle: "Saltings" if vehicle in bad else "High Moor" for vehicle in VEHICLES},
    )
    found = findings(drift(CALM), known, past)
    contract = published_tables()["recurring_issue"].schema
    assert pl.Schema({name: found.schema[name] for name in contract}) == contract
    first = found.row(0, named=True)
    assert first["title"] == "Depot Saltings: code P0506, only seen here (6 times on 6 vehicles)"
    assert (first["factor"], first["level"], first["cause_or_correction"]) == ("depot", "Saltings", "P0506")
    assert first["issue_id"] == issue_id("depot", "Saltings", "P0506")
    assert first["q_value"] < 0.1
    assert first["first_seen_at"] == START + timedelta(days=28)


def test_levels_that_nothing_tells_apart_are_one_issue_that_names_both(drift, evidence, history):
    bad = VEHICLES[:6]
    known, past = at_depot(
        evidence(),
        history(*(code(vehicle, 4 + 6 * n) for n, vehicle in enumerate(bad))),
        {vehicle: "Saltings" if vehicle in bad else "High Moor" for vehicle in VEHICLES},
    )
    duty = pl.when(pl.col("depot") == "Saltings").then(pl.lit("trunk")).otherwise(pl.lit("parcels"))
    past = type(past)(
        readings=past.readings.with_columns(duty=duty),
        epochs=past.epochs,
        fault_events=past.fault_events,
        notices=past.notices,
    )
    found = findings(drift(CALM), known, past)
    assert found["factor"].to_list() == ["duty and depot"]
    assert "cannot be told from Depot Saltings" in found["title"].item()


def test_an_even_fleet_has_no_issue(drift, evidence, history):
    past = history(*(code(vehicle, 2 + 3 * n) for n, vehicle in enumerate(VEHICLES)))
    assert findings(drift(CALM), evidence(), past).is_empty()


def test_a_job_ends_when_the_part_is_mended_again(evidence, history):
    known = evidence(job("van-00", DONE_AT), job("van-00", DONE_AT + timedelta(days=61)))
    stood = jobs(known, history(), NO_OUTCOME, vehicle_months(known, history()))
    assert stood["returned"].to_list() == [True, False]
    assert stood["exposure"][0] == pytest.approx(61 / 30.4375)


def test_a_part_batch_that_is_mended_again_is_an_issue(drift, evidence, history):
    jobs = []
    for n, vehicle in enumerate(VEHICLES):
        batch = "OU-B417" if n < 7 else "OU-B100"
        jobs.append(job(vehicle, START + timedelta(days=20 + n), part_batch=batch))
        if n < 7:
            jobs.append(job(vehicle, START + timedelta(days=60 + n), part_batch="OU-B100"))
    found = findings(drift(CALM), evidence(*jobs), history())
    first = found.row(0, named=True)
    assert (first["factor"], first["level"]) == ("part_batch", "OU-B417")
    assert first["q_value"] < 0.05


def test_a_habit_is_seen_though_each_part_was_seldom_worked_on(drift, evidence, history):
    jobs = [
        job(vehicle, START + timedelta(days=20 + n), component=f"part-{n}", workshop="Quay" if n % 2 else "Yard")
        | {"reset_done": bool(n % 2)}
        for n, vehicle in enumerate(VEHICLES)
    ]
    found = findings(drift(CALM), evidence(*jobs), history())
    assert found["level"].to_list() == ["Yard"]
    assert "work without setting learned values back" in found["title"].item()


def test_a_vehicle_on_which_a_part_is_mended_again_and_again_is_an_issue(drift, evidence, history):
    jobs = [job("van-03", START + timedelta(days=20 + 40 * n)) for n in range(5)]
    tables = compared(drift(CALM), evidence(*jobs), history())
    first = tables["recurring_issue"].row(0, named=True)
    assert (first["factor"], first["level"], first["cause_or_correction"]) == ("vehicle", "van-03", "o2_upstream")
    assert "worked on 5 times" in first["title"]
    behind = tables["finding_vehicle"].filter(issue_id=first["issue_id"])
    assert behind["at"].to_list() == [each["done_at"] for each in jobs]


def test_a_workshop_that_does_not_set_learned_values_back_is_a_finding(drift, evidence, history):
    done = []
    for n, vehicle in enumerate(VEHICLES * 4):
        where = "Quay" if n % 2 else "Hill"
        at = START + timedelta(days=3 + 7 * (n // len(VEHICLES)), hours=n)
        done.append(job(vehicle, at, workshop=where, component="injector", cylinder=n % 4, reset_done=where == "Hill"))
    found = findings(drift(CALM), evidence(*done), history())
    first = found.filter(factor="workshop").row(0, named=True)
    assert (first["level"], first["cause_or_correction"]) == ("Quay", "not_reset")
    assert "without setting learned values back" in first["title"]
    assert (first["rate"], first["per"]) == (100.0, "jobs")


def test_what_came_at_once_at_one_depot_is_said_once_as_its_conditions(drift, evidence, history):
    there = VEHICLES[:5]
    names = ("P0506", "P0171", "P0324")
    known, past = at_depot(
        evidence(),
        history(*(code(vehicle, 20, name) for vehicle in there for name in names)),
        {vehicle: "Saltings" if vehicle in there else "High Moor" for vehicle in VEHICLES},
    )
    found = findings(drift(CALM), known, past)
    assert found.select("level", "nature").rows() == [("Saltings", "conditions")]
    assert all(f"code {name}" in found["title"].item() + found["parts"].item() for name in names)


def trouble_at_saltings(evidence, history, weeks, *entries):
    """A fleet whose bad depot has a code on six vehicles, and again in the weeks that are given."""
    bad = VEHICLES[:6]
    again = (code(bad[n % 6], week, "P0506") for n, week in enumerate(weeks))
    mended = [job(vehicle, START + timedelta(days=7 * 15)) for vehicle in bad]  # so that a code can come anew
    known, past = at_depot(
        evidence(*mended),
        history(*(code(vehicle, 4 + n) for n, vehicle in enumerate(bad)), *again),
        {vehicle: "Saltings" if vehicle in bad else "High Moor" for vehicle in VEHICLES},
    )
    schema = known.entries.schema
    return replace(known, entries=pl.DataFrame(list(entries), schema=schema)), past


def said(value, week, **detail):
    return {
        "entry_id": f"{week:03}", "entered_at": START + timedelta(days=7 * week), "who": "ann", "kind": "finding",
        "subject": issue_id("depot", "Saltings", "P0506"), "value": value, "detail": json.dumps(detail),
    }  # fmt: skip


def test_a_closed_finding_is_gone_and_comes_back_only_if_it_goes_on(drift, evidence, history):
    closed = said("close", 16, text="hose kit fitted")

    def stage(weeks, *entries):
        known, past = trouble_at_saltings(evidence, history, weeks, *entries)
        return compared(drift(CALM), known, past)

    assert stage([])["recurring_issue"]["level"].to_list() == ["Saltings"]
    quiet = stage([], closed)
    assert quiet["recurring_issue"].is_empty()
    assert quiet["finding_closed"].select("level", "closed_by", "why").rows() == [
        ("Saltings", "ann", "hose kit fitted")
    ]
    assert stage([30], closed)["recurring_issue"].is_empty()  # one event since is no more than may be chance
    again = stage([24, 27, 29, 31, 33, 35], closed)["recurring_issue"].row(0, named=True)
    assert (again["level"], again["back_since"]) == ("Saltings", closed["entered_at"])
    reopened = stage([], closed, said("assign", 17, to="Bo"))
    assert reopened["recurring_issue"]["level"].to_list() == ["Saltings"]


def test_behind_a_finding_stand_its_vehicles_and_its_months(drift, evidence, history):
    known, past = trouble_at_saltings(evidence, history, [])
    tables = compared(drift(CALM), known, past)
    behind = tables["finding_vehicle"]
    assert behind["issue_id"].unique().to_list() == [issue_id("depot", "Saltings", "P0506")]
    assert behind["vehicle_id"].to_list() == list(VEHICLES[:6])
    assert behind["what"].unique().to_list() == ["code P0506"]
    months = tables["finding_month"]
    assert months["events"].sum() == 6
    assert months["expected"].sum() == 0.0  # the others never had it
    assert months["months"].sum() == pytest.approx(6 * 7 * (ROWS - 1) / 30.4375)
