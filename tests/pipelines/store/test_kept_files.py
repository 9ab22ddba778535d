"""A backup is a machine's whole store: settings, roles and mappings come back with it, and nothing else can."""

from contextlib import closing

import pytest

from pipelines.intake.load import load
from pipelines.store.acts import acts, write_act
from pipelines.store.backup import back_up, restore
from pipelines.store.connection import connect
from pipelines.store.folder import Store

FILES = {
    "settings.toml": "[plan]\ndays = 7\n",
    "roles.toml": '[[person]]\naddress = "a@b.example"\n',
    "mappings/0123abcd.toml": 'table = "snapshots"\n',
}


@pytest.fixture
def filled(store, small_drop) -> Store:
    load(store, [small_drop])
    (store.path / "mappings").mkdir()
    for name, text in FILES.items():
        (store.path / name).write_text(text)
    return store


def test_a_lost_machine_gets_its_settings_roles_and_mappings_back(filled, tmp_path):
    back_up(filled, tmp_path / "b.backup")
    fresh = Store(tmp_path / "fresh.store")
    done = restore(fresh, tmp_path / "b.backup")
    assert set(done.files) == set(FILES)
    assert {name: (fresh.path / name).read_text() for name in FILES} == FILES


def test_the_log_of_who_did_what_comes_back_too_and_goes_on(filled, tmp_path):
    write_act(filled, who="p", what="loaded")
    back_up(filled, tmp_path / "b.backup")
    fresh = Store(tmp_path / "fresh.store")
    restore(fresh, tmp_path / "b.backup")
    write_act(fresh, who="p", what="planned")
    assert acts(fresh)["what"].to_list() == ["loaded", "planned"]


def test_files_that_are_there_stay_as_they_are(filled, tmp_path):
    back_up(filled, tmp_path / "b.backup")
    (filled.path / "settings.toml").write_text("[plan]\ndays = 9\n")
    assert restore(filled, tmp_path / "b.backup").files == ()
    assert (filled.path / "settings.toml").read_text() == "[plan]\ndays = 9\n"


def test_a_store_without_such_files_gives_a_backup_without(store, small_drop, tmp_path):
    load(store, [small_drop])
    back_up(store, tmp_path / "b.backup")
    assert restore(Store(tmp_path / "fresh.store"), tmp_path / "b.backup").files == ()


@pytest.mark.parametrize("name", ["../outside.toml", "mappings/../../outside.toml", "/x.toml", "current", "lock"])
def test_a_backup_that_somebody_changed_lays_nothing_elsewhere(filled, tmp_path, name):
    back_up(filled, tmp_path / "b.backup")
    with closing(connect(tmp_path / "b.backup")) as connection:
        connection.execute("UPDATE beside.file SET name = ? WHERE name = 'settings.toml'", [name])
    fresh = Store(tmp_path / "deep" / "fresh.store")
    fresh.path.parent.mkdir()
    assert set(restore(fresh, tmp_path / "b.backup").files) == set(FILES) - {"settings.toml"}
    assert not list(tmp_path.rglob("outside.toml"))
