"""A chart as a page sends it: made once, its data as Arrow, let go with the chart."""

import gc
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl
import pyarrow as pa

from dashboard.charts import ready as module
from dashboard.charts.ready import ready

ROWS = pl.DataFrame({"depot": ["Saltings", "Millrace"], "vehicles": [3, 4]})


def drawn() -> alt.LayerChart:
    base = alt.Chart(ROWS).encode(x="depot:N")
    return alt.layer(base.mark_bar().encode(y="vehicles:Q"), base.mark_text())


def test_a_chart_is_written_out_once_with_its_data_as_arrow():
    chart = drawn()
    specification = ready(chart)
    assert ready(chart) is specification
    [(name, written)] = specification["datasets"].items()
    assert specification["data"] == {"name": name} or all(
        layer["data"] == {"name": name} for layer in specification["layer"]
    )
    assert pl.from_arrow(pa.ipc.open_stream(written).read_all()).equals(ROWS)
    assert ready(drawn())["datasets"].keys() == {name}


def test_what_is_kept_of_a_chart_goes_with_it():
    chart = drawn()
    ready(chart)
    place = (id(chart), None)
    assert place in module._made
    del chart
    gc.collect()
    assert place not in module._made


def test_times_are_moved_to_the_zone_that_was_picked_for_a_clock_in_another():
    at = datetime(2031, 5, 20, 12, tzinfo=UTC)
    drawn_at = alt.Chart(pl.DataFrame({"at": [at], "n": [1]})).mark_point().encode(x="at:T", y="n:Q")
    [written] = ready(drawn_at, ("Pacific/Auckland", "Europe/Lisbon"))["datasets"].values()
    [moved] = pl.from_arrow(pa.ipc.open_stream(written).read_all())["at"]
    assert moved.astimezone(ZoneInfo("Europe/Lisbon")).strftime("%d %H:%M") == "21 00:00"
