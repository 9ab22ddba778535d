"""Files that pages hand over, opened again by the libraries of their formats."""

import io
import struct
import sys
from xml.etree import ElementTree

import polars as pl
import pytest

from dashboard.charts.fleet import urgency_by
from dashboard.charts.picture import picture, specification
from dashboard.screens import saving
from pipelines.errors import LeewayError

EVIL = '=HYPERLINK("http://evil.example") <script>alert(1)</script>'
SHOWN = pl.DataFrame(
    {
        "vehicle_id": ["WC/1 a", "V2"],
        "urgency": ["■ Off the road now", "▲ This week"],
        "depot": [EVIL, "Saltings"],
        "chance_30": [41.0, None],
        "leeway_pct": [38.0, 61.0],
    }
)
PERCENT = {"chance_30": {"type_config": {"format": "%.2g %%"}}, "leeway_pct": {"type_config": {"format": "%.0f %%"}}}


@pytest.fixture
def offered(monkeypatch):
    """What is offered, by its name and ending: functions that make the files."""
    files: dict[str, object] = {}
    monkeypatch.setattr(
        saving,
        "_offer",
        lambda name, _, made: files.update({f"{name}.{ending}": each for ending, each in made.items()}),
    )
    return files


def test_a_table_has_plain_columns(offered):
    saving.offer_table(SHOWN, "attention", PERCENT)
    plain = pl.read_parquet(io.BytesIO(offered["attention.parquet"]()))
    assert plain.rows() == [
        ("WC/1 a", "Off the road now", EVIL, 41.0, 38.0),
        ("V2", "This week", "Saltings", None, 61.0),
    ]
    assert plain.columns == ["vehicle_id", "urgency", "depot", "chance_30_pct", "leeway_pct"]


def test_a_spreadsheet_runs_nothing_of_a_saved_table(offered):
    saving.offer_table(SHOWN, "attention", PERCENT)
    text = pl.read_csv(offered["attention.csv"]())
    assert text["depot"].to_list() == [f"'{EVIL}", "Saltings"]
    assert text["chance_30_pct"].to_list() == [41.0, None]


def test_a_chart_is_drawn_as_both_kinds_of_picture(offered):
    chart = urgency_by(SHOWN, "depot", "depot")
    saving.offer_chart(chart, "urgency_by", title=EVIL, zone="Europe/Lisbon")
    png, svg = offered["urgency_by.png"](), offered["urgency_by.svg"]()
    width, height = struct.unpack(">II", png[16:24])
    assert png.startswith(b"\x89PNG\r\n")
    assert width > 1800 > height > 100
    drawn = ElementTree.fromstring(svg)  # noqa: S314 (our own)
    kinds = {element.tag.rsplit("}", 1)[-1] for element in drawn.iter()}
    assert "text" in kinds
    assert not kinds & {"script", "image", "a", "foreignObject"}
    assert any(EVIL in (element.text or "") for element in drawn.iter())


def test_a_chart_that_cannot_be_drawn_is_one_line(monkeypatch):
    monkeypatch.setattr(sys, "executable", "false")
    with pytest.raises(LeewayError, match=r"could not be drawn \(exit code 1\)"):
        picture(urgency_by(SHOWN, "depot", "depot"), "png", title="", zone="UTC")


def test_a_picture_is_on_white_and_holds_its_data():
    drawn = specification(urgency_by(SHOWN, "depot", "depot"), "a " * 100)
    assert drawn["config"]["background"] == "white"
    assert drawn["width"] > 500
    assert len(drawn["title"]) == 2
    assert sum(map(len, drawn["datasets"].values())) >= 2
