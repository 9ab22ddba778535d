"""A chart as a page sends it: made once, its data as Arrow, let go with the chart."""

import gc

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
    place = id(chart)
    assert place in module._made
    del chart
    gc.collect()
    assert place not in module._made
