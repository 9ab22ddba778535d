"""A chart of few weeks names days, one of years months."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.charts.time_axis import time_axis


@pytest.mark.parametrize(("days", "form"), [(0, "%-d %b"), (16, "%-d %b"), (200, "%-d %b"), (700, "%b %Y")])
def test_no_month_is_said_twice(days, form):
    first = datetime(2026, 1, 5, tzinfo=UTC)
    assert time_axis(pl.Series([first, first + timedelta(days=days)]), ticks=8).format == form


def test_nothing_drawn_has_an_axis_too():
    assert time_axis(pl.Series([], dtype=pl.Datetime("us", "UTC")), ticks=8).format == "%b %Y"
