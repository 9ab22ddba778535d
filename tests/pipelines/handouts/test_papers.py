"""The papers of a plan: whole files that libraries read back, in which text from data is text and nothing else."""

import io
import zipfile
from datetime import UTC, date, datetime

import polars as pl
import pytest
from icalendar import Calendar

from pipelines.catalogue.tables import published_tables
from pipelines.errors import SettingError
from pipelines.handouts.calendars import calendar_of
from pipelines.handouts.folder import packed_papers, write_papers
from pipelines.handouts.gather import Papers

AS_OF = datetime(2031, 6, 1, 12, tzinfo=UTC)
HOSTILE = '=HYPERLINK("http://x.invalid")] #set page(fill: red) [a](http://x.invalid) \u202e ş ≥ ☐ Ж $x$ `y`'


def papers(*vehicles, text=HOSTILE):
    visits = [
        {
            "vehicle_id": vehicle, "depot": "High Moor", "day": date(2031, 6, 2), "bay": 1,
            "start_at": datetime(2031, 6, 2, 7 + n, tzinfo=UTC), "jobs": text, "labour_hours": 1.0, "reason": text,
        }
        for n, vehicle in enumerate(vehicles)
    ]  # fmt: skip
    cards = [
        {
            "vehicle": vehicle, "about": text, "depot": "High Moor", "day": "Monday 02 June 2031", "date": "2031-06-02",
            "start": "07:00 UTC", "bay": "1", "hours": 1.0, "jobs": text, "reason": text, "part": text,
            "causes": [{"cause": "a", "title": text, "evidence": text}], "checks": [text], "cautions": [text],
            "reset": text, "set_back": [text], "relearning": [text],
            "chart": {
                "title": text, "points": [[0.0, 0.0], [1.0, 1.0]], "band": [0.2, 0.4], "low": "1", "high": "2",
                "from": "01 Jan 2031", "to": "01 Jun 2031",
            },
        }
        for vehicle in vehicles
    ]  # fmt: skip
    left = {"vehicle_id": "left", "depot": None, "reason": text, "labour_hours": 2.0}
    part = {"depot": "High Moor", "component": "pump", "title": text, "needed": 3, "on_hand": 1, "lead_days": 4.0}
    return Papers(
        as_of=AS_OF,
        plan=pl.DataFrame(visits, schema=published_tables()["work_plan"].schema),
        left_out=pl.DataFrame([left], schema=published_tables()["plan_left_out"].schema),
        parts=pl.DataFrame([part]),
        cards=cards,
    )


def test_every_paper_is_written_under_the_name_that_people_expect(tmp_path):
    written = write_papers(papers("v/1", "v:1"), tmp_path / "out")
    assert sorted(path.name for path in written) == [
        "card-v_1.pdf", "card-v_1~2.pdf", "plan-High_Moor.ics", "plan.xlsx", "week-High_Moor.pdf",
    ]  # fmt: skip
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in written)


def test_packed_they_are_the_same_papers():
    some = papers("v/1", "v:1")
    with zipfile.ZipFile(io.BytesIO(packed_papers(some))) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == [
            "plan.xlsx", "plan-High_Moor.ics", "week-High_Moor.pdf", "card-v_1.pdf", "card-v_1~2.pdf",
        ]  # fmt: skip
        assert archive.read("plan-High_Moor.ics") == calendar_of(some, "High Moor")


def test_a_pdf_holds_hostile_text_as_text_and_no_link(tmp_path):
    for path in write_papers(papers("v1"), tmp_path):
        if path.suffix == ".pdf":
            content = path.read_bytes()
            assert content.startswith(b"%PDF-")
            assert b"/URI" not in content
            assert b"/JavaScript" not in content


def test_the_workbook_has_the_plan_the_parts_to_order_and_who_is_left_out(tmp_path):
    write_papers(papers("v1"), tmp_path)
    sheets = pl.read_excel(io.BytesIO((tmp_path / "plan.xlsx").read_bytes()), sheet_id=0)
    assert list(sheets) == ["Plan", "Parts to order", "Left out"]
    assert sheets["Plan"]["jobs"][0].startswith("=HYPERLINK")  # a text, not a formula
    assert sheets["Parts to order"]["to_order"].to_list() == [2]
    assert sheets["Left out"]["vehicle_id"].to_list() == ["left"]


def test_a_calendar_reads_back_with_each_visit_at_its_time(tmp_path):
    write_papers(papers("v1", "v2"), tmp_path)
    content = (tmp_path / "plan-High_Moor.ics").read_bytes()
    events = Calendar.from_ical(content).walk("VEVENT")
    assert [event.decoded("dtstart") for event in events] == [
        datetime(2031, 6, 2, 7, tzinfo=UTC), datetime(2031, 6, 2, 8, tzinfo=UTC),
    ]  # fmt: skip
    assert "ş ≥ ☐ Ж" in str(events[0]["summary"])
    assert "\u202e" not in content.decode()


def test_the_same_plan_gives_the_same_calendar(tmp_path):
    for name in ("a", "b"):
        write_papers(papers("v1", "v2"), tmp_path / name)
    assert (tmp_path / "a/plan-High_Moor.ics").read_bytes() == (tmp_path / "b/plan-High_Moor.ics").read_bytes()


def test_a_place_that_cannot_be_written_is_said_in_a_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingError, match="cannot be written"):
        write_papers(papers("v1"), tmp_path / "file")
