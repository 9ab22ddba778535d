"""What is new between two analyses, and the command that tells it once."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from click.testing import CliRunner

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import published_tables
from pipelines.digest import MOST_LINES, Digest, Section, digest
from pipelines.digest_command import digest as command
from pipelines.digest_forms import as_html, as_markdown, as_text
from pipelines.errors import SettingError
from pipelines.intake.load import load
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables

NOW = datetime(2031, 6, 8, 12, tzinfo=UTC)
BEFORE = NOW - timedelta(days=7)


def tables(*, urgency="none", reason=None, alarm=False, chance=0.1, verdict=None):
    rows = {
        "vehicle_state": [{"vehicle_id": "v1", "urgency": urgency, "urgency_reason": reason}],
        "correction_state": [{"vehicle_id": "v1", "correction": "ltft_b1_idle", "state": "steady", "alarm": alarm}],
        "fault_forecast": [{"vehicle_id": "v1", "horizon_days": 30, "probability": chance}],
        "repair_outcome": [{"vehicle_id": "v1", "done_at": BEFORE, "component": "fuel_pump", "verdict": verdict}],
        "held_reading": [],
    }
    return {
        name: pl.DataFrame(
            [{column: row.get(column) for column in published_tables()[name].schema} for row in some],
            schema=published_tables()[name].schema,
        )
        for name, some in rows.items()
        if name in published_tables()
    } | {"catalogue": built_in_corrections()}


def told(now, before):
    made = digest(now, before, as_of=NOW, since=BEFORE if before else None)
    return {section.title: section.lines for section in made.sections}


def test_what_did_not_change_is_no_news():
    assert told(tables(alarm=True, verdict="held"), tables(alarm=True, verdict="held")) == {}
    made = digest(tables(), tables(), as_of=NOW, since=BEFORE)
    assert made.headline == "1 vehicles on 8 June 2031, told since 1 June: nothing is new."


def test_news_stand_under_what_they_are():
    assert told(tables(alarm=True), tables()) == {"New alarms": ("v1: Long-term fuel trim, bank 1, idle",)}
    assert told(tables(), tables(alarm=True)) == {"Alarms that closed": ("v1: Long-term fuel trim, bank 1, idle",)}
    assert told(tables(chance=0.4), tables()) == {"Forecasts that rose": ("v1: 10 % to 40 % within 30 days",)}
    assert told(tables(verdict="came_back"), tables()) == {"Repairs judged": ("v1, fuel pump: came back",)}
    unread = told(tables(urgency="unknown", reason="Not read since 1 May."), tables())
    assert unread == {"No longer read": ("v1: Not read since 1 May.",)}
    due = told(tables(urgency="this_week", reason="A limit is near."), tables())
    assert due == {"New this week or sooner": ("v1: A limit is near.",)}


def test_what_must_not_be_driven_is_said_each_time():
    off = tables(urgency="off_road", reason="P0335 stands.")
    assert told(off, off) == {"Must not be driven": ("v1: P0335 stands.",)}


def test_the_first_digest_tells_what_stands_and_a_section_stays_short():
    assert "New alarms" in told(tables(alarm=True), {})
    shown = Section(title="a", lines=tuple(map(str, range(MOST_LINES + 3)))).shown()
    assert (len(shown), shown[-1]) == (MOST_LINES + 1, "and 3 more")


def test_text_from_data_is_text_in_every_form():
    made = Digest(headline="h", told="t", sections=(Section(title="t", lines=("<b>x</b> [a](http://x) \x1b[31m",)),))
    assert "&lt;b&gt;x&lt;/b&gt;" in as_html(made)
    assert r"\<b\>" in as_markdown(made)
    assert r"\[a\]\(http\://x\)" in as_markdown(made)
    assert all("\x1b" not in form(made) for form in (as_text, as_markdown, as_html))


@pytest.fixture
def published(store, small_drop) -> Store:
    load(store, [small_drop])
    off = tables(urgency="off_road", reason="P0335 stands.")
    publish_tables(store, {name: frame for name, frame in tables().items() if name != "catalogue"}, BEFORE)
    publish_tables(store, {name: frame for name, frame in off.items() if name != "catalogue"}, NOW)
    return store


def run(store, *arguments):
    return CliRunner().invoke(command, [*map(str, arguments), "--store", str(store.path)])


def test_the_pager_gets_what_must_not_be_driven_and_exit_3(published):
    result = run(published, "--urgent")
    assert (result.exit_code, result.output) == (3, "v1: P0335 stands.\n")


def test_news_are_told_once(published, tmp_path):
    publish_tables(published, {"correction_state": tables(alarm=True)["correction_state"]}, NOW)
    assert run(published, "--to", tmp_path / "a.txt").exit_code == 0
    assert "New alarms" in (tmp_path / "a.txt").read_text()
    assert run(published, "--to", tmp_path / "b.html").exit_code == 0
    assert "New alarms" not in (tmp_path / "b.html").read_text()
    assert isinstance(run(published, "--to", tmp_path / "c.doc").exception, SettingError)
