"""Charts as PNG and SVG, drawn in a process of its own that is gone afterwards with the memory it took; no network.

`python -P -m dashboard.charts.picture png` reads a pickled chart and its title from standard input and writes the file.
"""

import os
import pickle
import subprocess
import sys
import textwrap
from typing import Any

from dashboard.charts import Drawn
from pipelines.errors import LeewayError

ENDINGS = ("png", "svg")
WIDTH, ROW = 900, 120  # pixels of a chart that takes its container's; letters of a title's line
SCALE = 2  # pixels of the PNG for one of the chart, so that print is sharp
PATIENCE_S = 60.0
CONFIG = {  # a sheet of paper, whatever the reader's theme
    "background": "white",
    "font": "DejaVu Sans, sans-serif",  # has the marks of our states
    "padding": 12,
    "view": {"stroke": None},
    "axis": {"labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal", "gridColor": "#E4E8EA"},
    "legend": {"labelFontSize": 12, "titleFontSize": 12},
    "title": {"anchor": "start", "fontSize": 13, "fontWeight": "normal", "offset": 14},
}


def picture(chart: Drawn, ending: str, *, title: str, zone: str) -> bytes:
    """A chart as a file.

    Args:
        chart: As the page shows it.
        ending: One of `ENDINGS`.
        title: Stands over it.
        zone: Time zone of its dates, by its IANA name.

    Raises:
        LeewayError: it could not be drawn.
    """
    try:
        ran = subprocess.run(  # noqa: S603 (our own module)
            [sys.executable, "-P", "-m", "dashboard.charts.picture", ending],
            input=pickle.dumps((chart, title)),
            capture_output=True,
            check=False,
            timeout=PATIENCE_S,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path), "TZ": zone},
        )
    except subprocess.TimeoutExpired as error:
        raise LeewayError(f"The picture was not drawn within {PATIENCE_S:g} s. Try again.") from error
    if ran.returncode or not ran.stdout:
        raise LeewayError(f"The picture could not be drawn (exit code {ran.returncode}).")
    return ran.stdout


def specification(chart: Drawn, title: str) -> dict[str, Any]:
    """The chart as Vega-Lite with its data in it, on white, under its title."""
    import altair as alt  # noqa: PLC0415 - in the process that draws

    with alt.data_transformers.enable("default", max_rows=None):
        drawn: dict[str, Any] = chart.to_dict()
    if drawn.get("width") == "container":
        drawn["width"] = WIDTH
    drawn.setdefault("title", textwrap.wrap(title, ROW))
    drawn["config"] = CONFIG | drawn.get("config", {}) | {"view": CONFIG["view"]}
    return drawn


def main() -> None:
    """Draw what comes on standard input."""
    import vl_convert  # noqa: PLC0415 - 90 MB, in the process that draws

    chart, title = pickle.load(sys.stdin.buffer)  # noqa: S301 (our parent wrote it)
    drawn = specification(chart, title)
    if sys.argv[1] == "png":
        sys.stdout.buffer.write(vl_convert.vegalite_to_png(drawn, scale=SCALE, allowed_base_urls=[]))
    else:
        sys.stdout.buffer.write(vl_convert.vegalite_to_svg(drawn, allowed_base_urls=[]).encode())


if __name__ == "__main__":
    main()
