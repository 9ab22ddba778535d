from datetime import UTC, date, datetime

import polars as pl

from dashboard.views.dates import YEAR_FIRST
from dashboard.views.paper import MOST_CELLS, fits, paper_table
from dashboard.views.wording import Reader

READER = Reader(as_of=datetime(2031, 5, 20, 12, tzinfo=UTC), dates=YEAR_FIRST)


def test_paper_has_every_row_and_column_as_the_page_writes_them_and_text_is_text():
    rows = pl.DataFrame(
        {
            "vehicle_id": ["V1", None], "jobs": ["<b>a</b>", "\x1b[1mred"], "day": [date(2031, 5, 22), None],
            "hours": [1.25, None], "share": [41.0, 0.5], "open": [True, False],
        }
    )  # fmt: skip
    columns = {
        "vehicle_id": {"label": "Vehicle"},
        "hours": {"label": "Hours", "type_config": {"type": "number", "format": "%.1f"}},
        "share": {"label": "How likely", "type_config": {"type": "number", "format": "%.2g %%"}},
    }
    told = paper_table(rows, columns, READER, caption="Jobs & bays")
    assert "<caption>Jobs &amp; bays</caption>" in told
    assert "<th scope='col'>Vehicle</th><th scope='col'>Jobs</th><th scope='col'>Day</th>" in told
    cells = [line.removesuffix("</td></tr>").split("</td><td>") for line in told.split("<tr><td>")[1:]]
    assert cells[0] == ["V1", "&lt;b&gt;a&lt;/b&gt;", "2031-05-22", "1.2", "41 %", "yes"]
    assert cells[1][:4] == ["", r"\x1b[1mred", "", ""]


def test_only_a_table_of_some_sheets_lies_ready_for_the_printer():
    assert fits(pl.DataFrame({"a": [0] * MOST_CELLS}))
    assert not fits(pl.DataFrame({"a": [0] * (MOST_CELLS + 1)}))
