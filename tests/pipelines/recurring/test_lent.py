import numpy as np

from pipelines.recurring.lent import lent
from pipelines.recurring.rates import Comparison, excess


def test_parts_that_come_back_alike_lend_what_they_all_bring_and_unlike_ones_little():
    time = np.full(20, 60.0)
    alike = lent(np.full(20, 3), time)
    assert alike.events[0] > 8
    assert alike.time[0] == alike.events[0] / (3 / 60)  # at the rate of the others
    unlike = lent(np.repeat([0, 6], 10), time)
    assert 0 < unlike.events[0] <= 2


def test_nothing_is_lent_where_nothing_else_came_back_or_was_mended():
    assert lent(np.array([4, 0, 0]), np.array([30.0, 50.0, 50.0])).events[0] == 0
    assert lent(np.array([4]), np.array([30.0])).events.tolist() == [0]


def test_a_batch_like_all_others_stands_out_no_oftener_than_is_said_whatever_parts_differ_by():
    draw, low = np.random.default_rng(3), []
    for shape in (1.0, 4.0, 1000.0):
        rate = draw.gamma(shape, 0.05 / shape, size=(600, 20))
        others, own = np.full(20, 40.0), 30.0
        for rates in rate:
            batch = draw.poisson(rates[0] * own)
            seen = draw.poisson(rates * others)
            some = lent(seen + np.append(batch, np.zeros(19, dtype=np.int64)), others + np.append(own, np.zeros(19)))
            compared = Comparison(
                exposed_events=np.array([batch]),
                events=np.array([seen[0] + batch + some.events[0]]),
                exposed_time=np.array([own]),
                time=np.array([others[0] + own + some.time[0]]),
            )
            low.append(excess(compared).p_value <= 0.05)
    assert np.reshape(low, (3, 600)).mean(axis=1).max() < 0.075
