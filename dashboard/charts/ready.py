"""Charts as a page sends them: Vega-Lite with its data as Arrow, made once for each chart that is drawn again.

To write out a chart takes Altair 30 to 100 ms, most of it a check that the tests of the charts go through, and a page
of ten charts is drawn anew at every click.
"""

import io
import threading
import weakref
from hashlib import sha256
from typing import Any

import altair as alt
import polars as pl
import pyarrow as pa

from dashboard.charts import Drawn

Moved = tuple[str, str] | None  # time zone to show, time zone of the clock that draws; None: they are one
_made: dict[tuple[int, Moved], tuple[weakref.ref[Drawn], dict[str, Any]]] = {}
_guard = threading.Lock()  # Altair's transformers are one setting for all threads


def ready(chart: Drawn, moved: Moved = None) -> dict[str, Any]:
    """The chart as Vega-Lite, its data sets as bytes of Arrow streams under `datasets`; not to be changed.

    Args:
        chart: What is drawn.
        moved: Times are written so that the drawing clock shows the hours of another zone.
    """
    place = (id(chart), moved)
    known = _made.get(place)
    if known and known[0]() is chart:
        return known[1]
    with _guard:
        specification = _written(chart, moved)
    _made[place] = (weakref.ref(chart, lambda _: _made.pop(place, None)), specification)
    return specification


def _written(chart: Drawn, moved: Moved) -> dict[str, Any]:
    sets: dict[str, bytes] = {}

    def kept(data: Any) -> dict[str, str]:
        written = _arrow(data if moved is None else _on_clock(data, *moved))
        name = sha256(written).hexdigest()
        sets[name] = written
        return {"name": name}

    alt.data_transformers.register("leeway arrow", kept)
    with alt.theme.enable("none"), alt.data_transformers.enable("leeway arrow"):
        specification: dict[str, Any] = chart.to_dict(validate=False)
    return {**specification, "datasets": sets}


def _on_clock(data: pl.DataFrame, shown: str, drawn: str) -> pl.DataFrame:
    """Times such that a clock in the zone `drawn` shows what one in `shown` would."""
    times = [name for name, dtype in data.schema.items() if isinstance(dtype, pl.Datetime) and dtype.time_zone]
    return data.with_columns(
        pl.col(name)
        .dt.convert_time_zone(shown)
        .dt.replace_time_zone(None)
        .dt.replace_time_zone(drawn, ambiguous="earliest", non_existent="null")
        for name in times
    )


def _arrow(data: pl.DataFrame) -> bytes:
    table = data.to_arrow()
    written = io.BytesIO()
    with pa.ipc.new_stream(written, table.schema) as stream:
        stream.write_table(table)
    return written.getvalue()
