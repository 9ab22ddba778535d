import json
from datetime import UTC, datetime

import polars as pl

from dashboard.views.calibrations import NEEDED, calibrations, shows
from dashboard.views.findings import FindingAnswer, closed_ids, work_on
from dashboard.views.recurring import MOST_DRAWN, not_drawn, recurring, watched
from dashboard.views.repairs import comebacks
from dashboard.views.survival import MOST_CURVES, splits_of, survival
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import entry_columns
from pipelines.entries.checking import refusal_of
from pipelines.recurring.rollouts import SCHEMA as WATCH
from pipelines.recurring.survival import kaplan_meier

AT = datetime(2031, 5, 20, 12, tzinfo=UTC)
READER = Reader(as_of=AT)
PEOPLE = {"a": "Anna", "b": "Bo"}
NAMES = {"o2_upstream": "Upstream oxygen sensor", "P0133": "P0133"}


def entries(*rows):
    given = [
        {"entry_id": f"{n:03}", "entered_at": AT.replace(day=1 + n), "who": "a", **row} for n, row in enumerate(rows)
    ]
    return pl.DataFrame(given, schema=entry_columns().schema)


def finding(value, **detail):
    return {"kind": "finding", "subject": "f1", "value": value, "detail": json.dumps(detail)}


def answer(value, **typed):
    given = {"to": "", "text": "", "name": "Anna", "depot": "", **typed}
    return FindingAnswer(issue_id="f1", value=value, client_key="k", reader=READER, **given)


def test_work_on_a_finding_is_said_with_who_when_and_what_was_noted():
    note = {"kind": "note", "subject": "fleet", "value": "two hoses split", "detail": json.dumps({"finding": "f1"})}
    said = work_on(entries(finding("assign", to="Bo"), note), PEOPLE, READER)["f1"].replace("\u00a0", " ")
    assert said == "Assigned to Bo by Anna on 1 May. Anna on 2 May: two hoses split"
    shut = entries(finding("assign", to="Bo"), finding("close", text="kit fitted"))
    assert work_on(shut, PEOPLE, READER)["f1"].startswith("Closed by Anna")
    assert closed_ids(shut) == {"f1"}
    assert closed_ids(entries(finding("close", text="x"), finding("assign", to="Bo"))) == set()


def test_each_answer_becomes_an_entry_that_the_record_takes_and_asks_for_what_it_needs():
    assert answer("assign").problem == "Say who is to look after it."
    assert answer("close").problem == "Say why it can be closed."
    assert "empty" in answer("note").problem
    assert answer("assign", to="Bo", name=" ").problem.startswith("Say who writes")
    for given in (answer("assign", to="Bo"), answer("close", text="kit"), answer("note", text="n", depot="Saltings")):
        assert not given.problem
        assert refusal_of(given.entry("a")) is None
    noted = answer("note", text="n", depot="Saltings").entry("a")
    assert (noted.kind, noted.subject, json.loads(noted.detail)["finding"]) == ("note", "Saltings", "f1")


def test_a_closed_finding_leaves_the_list_at_once_unless_it_is_back(tables):
    issues = tables["recurring_issue"]
    view = recurring(issues, names=NAMES, closed={"a"})
    assert (view.issues.height, view.closed.height, view.empty_reason) == (0, 1, "All that was found is closed.")
    back = issues.with_columns(back_since=pl.lit(AT))
    assert recurring(back, names=NAMES, closed={"a"}).issues.height == 1


def test_what_is_new_is_said_with_how_near_it_is_to_a_warning():
    row = {
        "factor": "part_batch", "level": "B7", "of": "o2_upstream", "kind": "return", "what": "o2_upstream",
        "began_at": AT, "vehicles": 9, "months": 20.0, "events": 4, "expected": 0.5, "rate_ratio": 8.0, "low": 2.0,
        "high": 20.0, "evidence_ratio": 5.0, "needed": 8.0, "warned_at": None,
    }  # fmt: skip
    near, warns = row, row | {"evidence_ratio": 9.0, "warned_at": AT, "factor": "calibration", "what": "P0133"}
    view = watched(pl.DataFrame([near, warns], schema=WATCH), NAMES)
    assert view.select("level", "what", "state").rows() == [
        ("batch B7", "Upstream oxygen sensor mended again", "◆ getting clear"),
        ("calibration B7", "P0133", "▲ warns"),
    ]
    assert watched(pl.DataFrame(), NAMES).is_empty()


def test_comebacks_are_listed_with_how_long_and_how_far_they_stood(tables):
    outcome = tables["repair_outcome"].head(1).with_columns(
        back_at=pl.col("done_at").dt.offset_by("30d"), back_km=pl.lit(1609.344), odometer_km=pl.lit(0.0),
        part_number=pl.lit("O2-1"), part_batch=pl.lit("B7"), warranty_until=pl.lit(AT.date()), in_warranty=pl.lit(True),
    )  # fmt: skip
    assert comebacks(outcome, names=NAMES, miles=True).select("days", "driven").rows() == [(30, 1000.0)]
    assert comebacks(tables["repair_outcome"], names=NAMES, miles=False).is_empty()


def curves(factor, levels):
    jobs = pl.DataFrame(
        [(factor, f"L{n:02}", "o2_upstream", 10 * k + n, k < n) for n in range(levels) for k in range(10)],
        schema=["factor", "level", "component", "days", "returned"],
        orient="row",
    )
    return kaplan_meier(pl.concat([jobs, jobs.with_columns(factor=pl.lit("all"), level=pl.lit("all work"))]))


def test_curves_are_drawn_of_what_came_back_most_beside_all_work():
    table = curves("part_batch", 8)
    assert splits_of(table) == ["part_batch"]
    view = survival(table, split="part_batch", names=NAMES)
    assert len(view.order) == MOST_CURVES
    assert view.order[-1] == "all work"
    assert view.order[0] == "L07, Upstream oxygen sensor"
    assert view.rows["name"].to_list()[0] == view.order[0]
    assert view.rows["after_365"].unique().to_list() == ["not watched so long"]
    assert survival(pl.DataFrame(), split="kind", names=NAMES).empty_reason
    assert splits_of(pl.DataFrame()) == []


def test_calibrations_say_who_is_behind_and_what_updates_did():
    register = pl.DataFrame(
        {
            "engine_family": ["Rowan"] * 2, "calibration": ["B", "A"], "released_on": [AT.date()] * 2,
            "first_read_at": [AT] * 2, "newest": [True, False], "vehicles": [8, 4], "behind": [4, None],
            "note": [None] * 2,
        }
    )  # fmt: skip
    behind = pl.DataFrame({"vehicle_id": ["V1", "V2", "V3", "V4"]})
    shift = {
        "engine_family": "Rowan", "calibration_from": "A", "calibration_to": "B", "correction": "o2_upstream",
        "shift": 1.0, "low": 0.5, "high": 1.5, "scatters": 0.9, "vehicles": 8,
    }  # fmt: skip
    effect = {
        "engine_family": "Rowan", "calibration": "B", "kind": "code", "what": "P0133", "events": 0, "events_before": 9,
        "months": 50.0, "months_before": 60.0, "rate_ratio": 0.0, "low": 0.0, "high": 0.6, "effect": "cures",
    }  # fmt: skip
    module = {
        "vehicle_id": "V1", "changed_at": AT, "from_vehicle": "V9", "began_with": "neutral values", "newest": True,
        "calibration_before": "A", "calibration": "B", "learning": 3, "learned": 40, "old_module": "m1",
        "new_module": "m2", "recorded": False,
    }  # fmt: skip
    tables = dict(
        zip(
            NEEDED,
            (
                register,
                behind,
                pl.DataFrame([shift, shift | {"low": -0.1}]),
                pl.DataFrame([effect]),
                pl.DataFrame([module]),
            ),
            strict=True,
        )
    )
    view = calibrations(tables, NAMES)
    assert view.sentence.replace("\u00a0", " ") == (
        "4 of 12 vehicles have an older calibration than the newest of the family."
    )
    assert view.shifts["correction"].to_list() == ["Upstream oxygen sensor"]  # the other one may be none
    assert view.effects["effect"].to_list() == ["● seems to be the cure"]
    assert shows(view.effects).to_list() == [True]
    assert view.modules.select("origin", "calibration", "relearning").rows() == [
        ("of vehicle V9", "B, newest", "3 of 40 still learned anew")
    ]
    nothing = calibrations(dict.fromkeys(NEEDED, pl.DataFrame()), NAMES)
    assert "No reading says" in nothing.empty_reason


def test_a_chart_of_ratios_says_what_it_leaves_out():
    assert not_drawn(pl.DataFrame({"rate_ratio": [2.0, None, 3.0]})).replace("\N{NO-BREAK SPACE}", " ") == (
        "Not drawn: 1 finding seen nowhere else, or of no rate."
    )
    assert not_drawn(pl.DataFrame({"rate_ratio": [2.0]})) == ""
    assert "2" in not_drawn(pl.DataFrame({"rate_ratio": [2.0] * (MOST_DRAWN + 2)}))
