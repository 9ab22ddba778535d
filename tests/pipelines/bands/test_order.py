"""Order statistics of the kernels against numpy's (0.5 s)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.bands.order import quantile, select, trimmed_mean

numbers = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


@given(values=numbers, share=st.floats(0, 1))
def test_a_quantile_is_numpys(values, share):
    found = quantile.py_func(np.array(values), share)
    assert found == pytest.approx(np.quantile(values, share), rel=1e-9, abs=1e-6)


@given(values=numbers)
def test_a_trimmed_mean_is_that_of_the_middle(values):
    cut = len(values) // 5
    found = trimmed_mean.py_func(np.array(values), cut)
    assert found == pytest.approx(np.sort(values)[cut : len(values) - cut].mean(), rel=1e-9, abs=1e-6)


def test_compiled_as_read():
    values = np.random.default_rng(1).normal(0, 1, 1001).round(1)
    assert quantile(values.copy(), 0.5) == np.median(values)
    assert select(values.copy(), 250) == np.sort(values)[250]
    assert quantile(values[:1].copy(), 0.3) == values[0]
    assert trimmed_mean(values.copy(), 200) == pytest.approx(np.sort(values)[200:801].mean())
