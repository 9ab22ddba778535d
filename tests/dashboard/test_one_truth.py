"""What pages, papers and the digest say of a vehicle agrees; the rules bite where the tables themselves do not."""

import importlib.util
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

spec = importlib.util.spec_from_file_location("one_truth", Path(__file__).with_name("one_truth.py"))
assert spec is not None
assert spec.loader is not None
rules = importlib.util.module_from_spec(spec)
spec.loader.exec_module(rules)

STEADY = pl.col("vehicle_id") == "V3"
TRIM = pl.col("correction") == "ltft_b1_idle"
SOON = datetime(2031, 6, 1, tzinfo=UTC)
FAMILIES = pl.DataFrame({"engine_family": ["Rowan 2.0", "Alder 1.6"], "cylinders": [4, 4], "banks": [1, 1]})
NO_WAITING = {"vehicle_id": pl.String, "depot": pl.String, "reason": pl.String, "labour_hours": pl.Float64}


@pytest.fixture
def pages(tables, work_plan, corrections, reader):
    """Function: pages of the known fleet, with some cells of one of its tables as they are given."""
    reason = pl.when(pl.col("urgency").is_in(["this_week", "plan"])).then(pl.lit("It strays."))
    now = {
        **tables,
        "work_plan": work_plan,
        "plan_left_out": pl.DataFrame(schema=NO_WAITING),
        "vehicle_state": tables["vehicle_state"].with_columns(urgency_reason=reason),
    }
    vehicles = pl.DataFrame({"vehicle_id": ["V1", "V2", "V3", "V4"]}).with_columns(
        engine_family=pl.lit("Rowan 2.0"), depot=pl.lit("Saltings"), duty=pl.lit(None, pl.String)
    )

    def made(table: str = "vehicle_state", where: pl.Expr = STEADY, **cells: object):
        schema = now[table].schema
        spoilt = now[table].with_columns(
            pl.when(where).then(pl.lit(value, schema[name])).otherwise(name).alias(name)
            for name, value in cells.items()
        )
        return rules.Pages(
            {**now, table: spoilt}, vehicles=vehicles, corrections=corrections, families=FAMILIES, at=reader.as_of
        )

    return made


def test_nothing_that_is_said_of_the_known_fleet_contradicts_anything_else(pages):
    assert rules.contradictions(pages()) == []


def test_a_cause_likelier_than_not_takes_the_place_of_nothing_strays_on_both_pages(pages):
    moved = pages("cause_ranking", pl.col("rank") == 1, vehicle_id="V3", probability=0.9)
    told = next(each for each in moved.told() if each.vehicle_id == "V3")
    assert told.words.startswith(
        "No correction strays by itself; against how they were before, together they look like"
    )
    assert told.today["cause"] == told.causes[0].name
    assert rules.contradictions(moved) == []


def test_a_reading_off_by_itself_is_said_beside_the_state_and_the_sentence(pages):
    off = pages("correction_state", STEADY & TRIM, value=9.0)
    told = next(each for each in off.told() if each.vehicle_id == "V3")
    assert "the newest reading of Long-term fuel trim, bank 1, idle lies outside its band" in told.words
    assert "● Steady, newest reading off" in told.table["state"].to_list()
    assert rules.contradictions(off) == []


def test_a_memory_that_was_not_read_holds_no_codes_that_are_none(pages):
    unread = pages(open_faults=None)
    told = next(each for each in unread.told() if each.vehicle_id == "V3")
    assert told.summary.facts["Open fault codes"] == "memory not read"
    assert rules.contradictions(unread) == []


def test_a_visit_that_comes_too_late_for_who_is_due_is_said_first(pages):
    late = pages("work_plan", pl.col("vehicle_id") == "V1", day=date(2031, 5, 30))
    assert late.plan.binding[0].startswith("V1 is due this week and has no visit before 30")
    assert rules.contradictions(late) == []


@pytest.mark.parametrize(
    ("table", "where", "cells", "broken"),
    [
        ("correction_state", STEADY & TRIM, {"state": "outside"}, "is called outside if and only if"),
        ("vehicle_state", STEADY, {"state": "drifting"}, "is the worst of the corrections on its page"),
        ("vehicle_state", STEADY, {"urgency": "off_road"}, "what is urgent says why"),
        ("vehicle_state", STEADY, {"open_faults": 2}, "are counted as those that stand by name"),
        ("fault_forecast", STEADY & (pl.col("horizon_days") == 7), {"probability": 0.9}, "grow with the horizon"),
        ("fault_forecast", STEADY, {"probability": 0.9}, "a chance above even without a limit ahead"),
        (
            "correction_state",
            STEADY & TRIM,
            {"limit_at_p50": SOON},
            "or the basis says why not",
        ),
    ],
)
def test_tables_that_do_not_agree_break_a_rule(pages, table, where, cells, broken):
    found = rules.contradictions(pages(table, where, **cells))
    assert any(line.startswith("V3: ") and broken in line for line in found)
