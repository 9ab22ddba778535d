from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.causes.drivers import driven, drivers, outside
from pipelines.causes.knowledge import causes

from .conftest import AS_OF

CODE = "ltft_b1_idle"
LOOKED, BASE = np.array([0]), np.array([2])


def told(family, degrees):
    leading = np.array([family.panel.codes.index(CODE)])
    return drivers(family, LOOKED, leading, BASE, np.asarray(degrees, dtype=np.float64))[0]


def lean(family, level):
    """What the newest readings of one correction are off, in sigmas."""
    column = family.panel.codes.index(CODE)
    family.panel.values[:, column] = (family.expected[:, column] + family.sigma[column] * level).astype(np.float32)
    return family


@pytest.fixture
def degrees():
    return 10 + 10 * np.cos(np.arange(30) / 3)


def test_what_is_more_in_the_cold_speaks_for_causes_that_are(healthy, degrees):
    noise = np.random.default_rng(5).normal(0, 0.5, 30)
    cold = told(lean(healthy(), 8 - 0.3 * (degrees - 10) + noise), degrees)
    warm = told(lean(healthy(), 8 + 0.3 * (degrees - 10) + noise), degrees)
    neither = told(lean(healthy(), 8 + noise), degrees)
    assert cold[0] > 1 > abs(neither[0])
    assert warm[0] < -1
    leak, purge, drag = (causes()[name] for name in ("exhaust_leak_upstream", "purge_valve_leaking", "accessory_drag"))
    (said,) = driven(cold[None], [leak, purge, drag])
    assert said[0] > 0.3
    assert said[1] < -0.3
    assert said[2] == 0


def test_a_departure_below_speaks_as_one_above(healthy, degrees):
    above, below = (told(lean(healthy(), side * (8 - 0.3 * (degrees - 10))), degrees) for side in (1, -1))
    assert above[0] == pytest.approx(below[0], rel=0.05)


def test_kilometres_are_told_from_days_where_use_changed(healthy):
    family = healthy()
    family.panel.km[:] = np.append(np.full(15, 100.0), np.linspace(200, 9000, 15))
    by_km = told(lean(family, family.panel.km / 1000), np.full(30, np.nan))
    by_days = told(lean(healthy(), np.arange(30) / 3), np.full(30, np.nan))
    assert by_km[1] > 1
    assert abs(by_days[1]) < 0.5  # km and days are one here: nothing is told
    assert by_km[0] == by_days[0] == 0


def test_too_little_tells_nothing(healthy, degrees):
    family = lean(healthy(rows=8), 8.0)
    assert told(family, degrees[:8]).tolist() == [0.0, 0.0]
    assert told(lean(healthy(), 8 - degrees), np.full(30, 12.0))[0] == 0
    assert told(lean(healthy(), np.nan), degrees).tolist() == [0.0, 0.0]


def test_the_temperature_beside_each_reading(healthy):
    family = healthy(("van-1", "van-2"), rows=3)
    known = pl.DataFrame({"vehicle_id": ["van-2"], "read_at": [AS_OF - timedelta(days=7)], "ambient_c": [4.5]})
    known = known.with_columns(pl.col("read_at").cast(pl.Datetime("us", "UTC")))
    found = outside(family, np.array([0, 1]), known)
    assert found[4] == 4.5
    assert np.isnan(found).sum() == 5
    assert np.isnan(outside(family, np.array([0]), known)).all()  # the other one is not looked at
