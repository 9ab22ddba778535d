"""How sure stories are when many are tried."""

import numpy as np
import pytest

from pipelines.recurring.comparing import Pair
from pipelines.recurring.rates import Comparison, excess
from pipelines.recurring.stories import FINDING, Story, findings_of


def story(exposed, events, *, what="ignition_weak", kind="cause", share=0.25):
    """Some of the events at one of two levels, which has a share of the time."""
    comparison = Comparison(
        exposed_events=np.array([exposed]), events=np.array([events]), exposed_time=np.array([100 * share]),
        time=np.array([100.0]),
    )  # fmt: skip
    pair = Pair(
        factor="depot", level=what, kind=kind, what=what, rows="months", vehicles=exposed, exposed_events=exposed,
        exposed_months=100 * share, events=events, months=100.0, comparison=comparison, excess=excess(comparison),
        at=(), episodes=frozenset({hash(what)}),
    )  # fmt: skip
    return Story(pairs=[pair], p_value=pair.p_value)


def judged(stories):
    findings_of(stories, {}, lambda _: pytest.fail("nothing here speaks of the same"))
    return [each.q_value for each in stories]


def test_the_p_values_that_few_events_can_give_and_how_often_they_do():
    told = excess(
        Comparison(exposed_events=np.array([5]), events=np.array([5]), exposed_time=np.ones(1), time=np.ones(1) * 2)
    )
    assert told.p_value == pytest.approx(1 / 64)  # half of the chance of the outermost outcome
    assert told.chance_of(np.array([1 / 65, 1 / 64 + 1e-12, 0.05])) == pytest.approx([0.0, 1 / 32, 1 / 32])


def test_what_could_never_be_sure_does_not_count_against_what_is():
    alone = judged([story(9, 12)])[0]
    hopeless = [story(2, 3, what=f"seldom {n}") for n in range(60)]  # three of three come in one of 64 by chance
    assert judged([story(9, 12), *hopeless])[0] == pytest.approx(alone, rel=1e-6)
    as_able = [story(3, 12, what=f"often {n}") for n in range(60)]
    assert judged([story(9, 12), *as_able])[0] == pytest.approx(61 * alone, rel=0.01)


def test_each_kind_of_thing_has_the_same_share_of_what_may_be_false():
    one_kind = judged([story(9, 12)])[0]
    of_many = [story(3, 12, what=f"drift {n}", kind="correction") for n in range(60)]
    assert judged([story(9, 12), *of_many])[0] == pytest.approx(2 * one_kind, rel=1e-6)


def test_of_fleets_in_which_nothing_recurs_few_have_a_finding():
    draw = np.random.default_rng(3)
    found = 0
    for _ in range(200):
        events, share = draw.integers(5, 40, 30), draw.uniform(0.1, 0.6, 30)
        stories = [
            story(int(draw.binomial(n, p)), int(n), share=float(p), what=str(k), kind="cause" if k % 3 else "code")
            for k, (n, p) in enumerate(zip(events, share, strict=True))
        ]
        found += min(judged(stories)) <= FINDING
    assert found <= 17  # one in twenty, and two standard errors
