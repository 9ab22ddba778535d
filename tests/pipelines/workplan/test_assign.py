from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.workplan.assign import Option, choose

DAYS = 3


@st.composite
def tasks(draw):
    """Up to four jobs of two depots over three days, with capacity, and parts of which some are short."""
    hours = draw(st.lists(st.integers(1, 6), min_size=1, max_size=4))
    depots = draw(st.lists(st.integers(0, 1), min_size=len(hours), max_size=len(hours)))
    options = [
        Option(
            job=job, depot=depots[job], day=day, saving=float(draw(st.integers(-20, 100))), hours=(float(hours[job]),),
            part=draw(st.sampled_from("ab")) if day == 0 else "a", from_stock=day == 0,
        )
        for job in range(len(hours))
        for day in range(DAYS)
    ]  # fmt: skip
    capacity = {(depot, day): float(draw(st.integers(0, 8))) for depot in range(2) for day in range(DAYS)}
    return options, capacity, {"a": draw(st.integers(0, 2)), "b": draw(st.integers(0, 2))}


def allowed(chosen, capacity, stock):
    days_fit = all(
        sum(one.hours[0] for one in chosen if (one.depot, one.day) == slot) <= capacity[slot] + 1e-9
        for slot in capacity
    )
    return days_fit and all(sum(one.from_stock and one.part == part for one in chosen) <= stock[part] for part in stock)


@settings(max_examples=60)
@given(task=tasks())
def test_the_choice_saves_as_much_as_trying_everything(task):
    options, capacity, stock = task
    by_job = {}
    for option in options:
        by_job.setdefault(option.job, [None]).append(option)
    every = ([one for one in some if one is not None] for some in product(*by_job.values()))
    best = max(sum(one.saving for one in some) for some in every if allowed(some, capacity, stock))
    choice = choose(options, capacity=capacity, stock=stock)
    chosen = choice.options
    assert choice.bound >= best - 1e-6
    assert allowed(chosen, capacity, stock)
    assert len({one.job for one in chosen}) == len(chosen)
    assert sum(one.saving for one in chosen) == pytest.approx(best, rel=2e-3)


def test_a_job_of_several_days_takes_the_hours_of_each():
    long = Option(job=0, depot=0, day=0, saving=50.0, hours=(8.0, 4.0), part="", from_stock=False)
    short = Option(job=1, depot=0, day=1, saving=10.0, hours=(5.0,), part="", from_stock=False)
    assert choose([long, short], capacity={(0, 0): 8.0, (0, 1): 8.0}, stock={}).options == [long]
    assert choose([long, short], capacity={(0, 0): 8.0, (0, 1): 9.0}, stock={}).options == [long, short]


def test_nothing_that_costs_more_than_waiting_is_chosen():
    option = Option(job=0, depot=0, day=0, saving=-1.0, hours=(1.0,), part="", from_stock=False)
    assert choose([option], capacity={(0, 0): 8.0}, stock={}).options == []
