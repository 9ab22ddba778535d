import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.recurring.survival import SCHEMA, kaplan_meier, repair_survival

# 6-mercaptopurine arm of Freireich and others (1963), weeks in remission; a published textbook example.
WEEKS = (6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
RELAPSED = (True,) * 9 + (False,) * 12


def timed(days, returned):
    jobs = pl.DataFrame({"days": days, "returned": returned}, schema={"days": pl.Int64, "returned": pl.Boolean})
    return jobs.with_columns(factor=pl.lit("f"), level=pl.lit("l"), component=pl.lit("c"))


def test_a_published_example_gives_its_published_curve_and_limits():
    curve = kaplan_meier(timed(WEEKS, RELAPSED))
    assert curve.schema == SCHEMA
    at = {row["days"]: row for row in curve.to_dicts()}
    assert [round(at[week]["standing"], 4) for week in (0, 6, 10, 23)] == [1.0, 0.8571, 0.7529, 0.4482]
    assert (at[6]["low"], at[6]["high"]) == pytest.approx((0.620, 0.952), abs=5e-4)
    assert (at[10]["low"], at[10]["high"]) == pytest.approx((0.503, 0.889), abs=5e-4)
    assert (at[23]["low"], at[23]["high"]) == pytest.approx((0.188, 0.680), abs=5e-4)
    assert (at[10]["at_risk"], at[10]["jobs"], at[10]["returned"]) == (15, 21, 9)


def test_where_nothing_came_back_the_lower_limit_is_the_exact_binomial_one():
    last = kaplan_meier(timed([30] * 10, [False] * 10)).row(-1, named=True)
    assert (last["standing"], last["high"]) == (1.0, 1.0)
    assert last["low"] == pytest.approx(0.025**0.1)


@settings(max_examples=50)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), min_size=1, max_size=30))
def test_curves_fall_between_their_limits(jobs):
    curve = kaplan_meier(timed([days for days, _ in jobs], [returned for _, returned in jobs]))
    assert curve["standing"].is_sorted(descending=True)
    assert (curve["low"] <= curve["standing"]).all()
    assert (curve["standing"] <= curve["high"] + 1e-12).all()
    assert curve["standing"][-1] == pytest.approx(1.0 if not any(back for _, back in jobs) else curve["standing"][-1])


def test_each_kind_of_work_part_and_workshop_with_enough_jobs_has_a_curve():
    stood = pl.DataFrame(
        {
            "exposure": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
            "returned": [True, False, True, False, False, False],
            "failed": [True, False, False, False, False, False],
            "component": ["injector"] * 5 + ["o2_upstream"],
            "kind": ["replacement"] * 6,
            "part_number": ["IN-1"] * 5 + [None],
            "part_batch": ["B1"] * 3 + ["B2"] * 3,
            "workshop": ["Quay"] * 6,
        }
    )
    curves = repair_survival(stood)
    found = curves.unique(["factor", "level"]).select("factor", "level", "component", "jobs").sort("factor")
    assert found.rows() == [
        ("all", "all work", None, 6), ("component", "injector", "injector", 5), ("kind", "replacement", None, 6),
        ("part_number", "IN-1", "injector", 5), ("workshop", "Quay", None, 6),
    ]  # fmt: skip
    by_part = curves.filter((pl.col("factor") == "part_number") & (pl.col("days") > 0))
    assert by_part["returned"].unique().to_list() == [1]  # the other one was never the trouble
    assert repair_survival(stood.clear()).is_empty()
