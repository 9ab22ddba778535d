"""The papers of a plan: whole files that libraries read back, in which text from data is text and nothing else."""

import io
import zipfile
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
import typst
from icalendar import Calendar

from pipelines.catalogue.tables import published_tables
from pipelines.errors import SettingError
from pipelines.handouts.calendars import calendar_of
from pipelines.handouts.folder import packed_papers, write_papers
from pipelines.handouts.gather import Papers
from pipelines.handouts.papers import supplier_pdf
from pipelines.handouts.supplier import suppliers_of
from pipelines.recurring.survival import kaplan_meier

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
        suppliers=[supplier(text)],
    )


def supplier(text):
    curve = {"name": text, "points": [[0.0, 1.0], [1.0, 0.5]], "band": [[0.0, 1.0], [1.0, 0.7], [1.0, 0.3]]}
    back = dict.fromkeys(("vehicle", "vin", "part_number", "batch", "fitted", "back", "days", "evidence"), text)
    level = {"name": text, "jobs": "9", "returned": "2", "shares": [text] * 3}
    return {
        "part": text, "component": "pump/1", "summary": text, "findings": [text], "curves": [curve, curve],
        "days": "90", "levels": [level], "comebacks": [back], "basis": text,
    }  # fmt: skip


def test_every_paper_is_written_under_the_name_that_people_expect(tmp_path):
    written = write_papers(papers("v/1", "v:1"), tmp_path / "out")
    assert sorted(path.name for path in written) == [
        "card-v_1.pdf", "card-v_1~2.pdf", "plan-High_Moor.ics", "plan.xlsx", "supplier-pump_1.pdf",
        "week-High_Moor.pdf",
    ]  # fmt: skip
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in written)


def test_packed_they_are_the_same_papers():
    some = papers("v/1", "v:1")
    with zipfile.ZipFile(io.BytesIO(packed_papers(some))) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == [
            "plan.xlsx", "plan-High_Moor.ics", "week-High_Moor.pdf", "card-v_1.pdf", "card-v_1~2.pdf",
            "supplier-pump_1.pdf",
        ]  # fmt: skip
        assert archive.read("plan-High_Moor.ics") == calendar_of(some, "High Moor")


def test_a_pdf_holds_hostile_text_as_text_and_no_link(tmp_path):
    for path in write_papers(papers("v1"), tmp_path):
        if path.suffix == ".pdf":
            content = path.read_bytes()
            assert content.startswith(b"%PDF-")
            assert b"/URI" not in content
            assert b"/JavaScript" not in content
            (tmp_path / "shows.typ").write_text(f'#image("{path.name}")')  # a reader of its own opens it again
            assert typst.compile(str(tmp_path / "shows.typ"), format="pdf").startswith(b"%PDF-")


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


def test_a_supplier_is_shown_what_came_back_inside_the_warranty_and_how_long_its_batches_stand():
    at = datetime(2030, 6, 1, tzinfo=UTC)
    done = {
        "vehicle_id": "v1", "done_at": at, "component": "pump", "verdict": "came_back", "checked_at": AS_OF,
        "evidence": "Code P0087 was set again.", "decided_at": at, "back_at": at + timedelta(days=40),
        "kind": "replacement", "part_number": "FP-1", "part_batch": "B7", "odometer_km": 1000.0, "back_km": 4000.0,
        "part_failed": True, "warranty_until": date(2032, 6, 1), "in_warranty": True,
    }  # fmt: skip
    outcome = pl.DataFrame([done, done | {"vehicle_id": "v2", "verdict": "held", "in_warranty": None}])
    issue = {"title": "Part batch B7: pump mended again", "factor": "part_batch", "level": "B7"}
    jobs = pl.DataFrame(
        {
            "factor": "part_batch",
            "level": "B7",
            "component": "pump",
            "days": [40, 100, 400],
            "returned": [True, False, False],
        }
    )
    published = {
        "repair_outcome": outcome, "recurring_issue": pl.DataFrame([issue]), "repair_survival": kaplan_meier(jobs),
    }  # fmt: skip
    vehicles = pl.DataFrame({"vehicle_id": ["v1", "v2"], "vin": ["1FT", None]})
    (record,) = suppliers_of(published, vehicles=vehicles, names={"pump": "Fuel pump"})
    assert (record["part"], record["findings"]) == ("Fuel pump", ["Part batch B7: pump mended again"])
    assert record["summary"] == "1 came back inside the warranty, on 1 vehicle."
    assert [row["vin"] for row in record["comebacks"]] == ["1FT"]
    assert record["comebacks"][0]["back"] == "2030-07-11, 4,000 km"
    assert record["levels"][0]["shares"][0].startswith("67 % (")
    assert supplier_pdf(record, AS_OF).startswith(b"%PDF-")
    older = {**published, "repair_outcome": outcome.drop("in_warranty")}
    assert suppliers_of(older, vehicles=vehicles, names={}) == []
