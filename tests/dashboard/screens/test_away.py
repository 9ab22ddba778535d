"""A store whose disk or share goes away while it is served is shown as it was read last, until it is back."""

import sys
from pathlib import Path

import pytest

from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.entries.entry import Entry
from pipelines.errors import StoreError
from pipelines.store.conversion import convert
from pipelines.store.entries import append
from pipelines.store.folder import Store

sys.path.insert(0, str(Path(__file__).parent))

from test_notes import opened, said

WARNING = "not there any more. Is the disk or share that it lies on mounted? Shown is what was read before"
NOTE = Entry(who="anna", kind="note", vehicle_id="V1", value="brakes squeal")


@pytest.mark.parametrize("tables", [False, True])
def test_pages_go_on_while_the_folder_is_away_and_nothing_is_written_in_its_place(store, tmp_path, monkeypatch, tables):
    if tables:
        convert(store, Store(tmp_path / "tables"))
        store = Store(tmp_path / "tables")
        monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    append(store, [NOTE])
    before = [table.value for table in opened("vehicle").dataframe]
    aside = store.path.rename(store.path.with_name("aside"))
    if tables:  # the folder that nothing is mounted at is still there
        store.path.mkdir()
    page = opened("vehicle")
    assert WARNING in said(page)
    assert [table.value.equals(was) for table, was in zip(page.dataframe, before, strict=True)] == [True] * len(before)
    assert any("brakes squeal" in str(table.value.to_dict()) for table in page.dataframe)
    opened("recurring")  # which was not read before
    for write in (lambda: append(store, [NOTE]), lambda: store.writing("a load").__enter__()):
        with pytest.raises(StoreError, match="not there any more"):
            write()
    assert not any(store.path.glob("*"))
    if tables:
        store.path.rmdir()
    aside.rename(store.path)
    append(store, [Entry(who="anna", kind="note", vehicle_id="V1", value="they do still")])
    page = opened("vehicle")
    assert WARNING not in said(page)
    assert any("they do still" in str(table.value.to_dict()) for table in page.dataframe)
