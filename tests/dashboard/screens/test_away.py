"""A store that goes away or is damaged while it is served is shown as it stood before, until it is back."""

import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.tend_command import tend
from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.entries.entry import Entry
from pipelines.errors import StoreError
from pipelines.store.conversion import convert
from pipelines.store.entries import append
from pipelines.store.folder import Store
from pipelines.store.publish import publish_tables
from pipelines.store.published import kept_as_ofs, read_published
from pipelines.store.scoped import store_seen_by

sys.path.insert(0, str(Path(__file__).parent))

from test_notes import opened, said

GONE = "not there any more. Is the disk or share that it lies on mounted? Shown is what was read before, until it is"


def note(words: str) -> Entry:
    return Entry(who="anna", kind="note", vehicle_id="V1", value=words)


def test_pages_go_on_while_the_folder_is_away_and_nothing_is_written_in_its_place(store):
    append(store, [note("brakes squeal")])
    before = [table.value for table in opened("vehicle").dataframe]
    aside = store.path.rename(store.path.with_name("aside"))
    page = opened("vehicle")
    assert GONE in said(page)
    assert [table.value.equals(was) for table, was in zip(page.dataframe, before, strict=True)] == [True] * len(before)
    assert any("brakes squeal" in str(table.value.to_dict()) for table in page.dataframe)
    for write in (lambda: append(store, [note("lost?")]), lambda: store.writing("a load").__enter__()):
        with pytest.raises(StoreError, match="not there any more"):
            write()
    assert not store.path.exists()
    aside.rename(store.path)
    append(store, [note("they do still")])
    page = opened("vehicle")
    assert GONE not in said(page)
    assert any("they do still" in str(table.value.to_dict()) for table in page.dataframe)


def test_a_state_of_which_a_file_is_cut_short_gives_way_to_the_one_before(store, tmp_path, monkeypatch):
    tables = Store(tmp_path / "tables")
    convert(store, tables)
    as_of = kept_as_ofs(tables)[0]
    states = read_published(tables, "vehicle_state", as_of=as_of).drop("as_of")
    publish_tables(tables, {"vehicle_state": states.head(1)}, as_of + timedelta(days=1))
    monkeypatch.setenv(STORE_VARIABLE, str(tables.path))
    new = max(tables.path.glob("tables/published/vehicle_state/*/*.parquet"), key=lambda file: file.stat().st_mtime_ns)
    whole = new.read_bytes()
    new.write_bytes(whole[:-9])
    page = opened("today")
    assert "Shown is the state before it." in said(page)
    assert len(page.dataframe[0].value) == states.height
    append(tables, [note("people go on")])
    new.write_bytes(whole)
    assert not store_seen_by(tables.path, None).away()


def test_upkeep_makes_nothing_in_the_place_of_a_store_that_went_away(tmp_path, monkeypatch):
    place, aside = tmp_path / "fleet.store", tmp_path / "aside"
    waits = iter([lambda: place.rename(aside), lambda: aside.rename(place), lambda: sys.exit(7)])
    monkeypatch.setattr(time, "sleep", lambda _seconds: next(waits)())
    done = CliRunner().invoke(tend, ["--store", str(place), "--every", "1"])
    assert done.exit_code == 7
    assert done.output.count("Nothing was due.") == 2
    assert f"{place}: not there any more." in done.stderr
