"""Files of watched folders: each is taken up once, and not while it is still being written."""

import os
from datetime import UTC, datetime

import pytest

from pipelines.errors import SettingError
from pipelines.settings_file import Inbox
from pipelines.upkeep.inbox import files_in, to_take_up

NOW = datetime(2031, 2, 14, 3, tzinfo=UTC)


def lay(folder, name, *, age_s: float):
    file = folder / name
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text("vehicle_id\nv1\n")
    os.utime(file, (NOW.timestamp() - age_s,) * 2)
    return file


def names(seen):
    return [each.path.rsplit("/", 1)[1] for each in seen]


def test_a_file_is_taken_up_when_it_was_left_alone_for_a_while(tmp_path):
    lay(tmp_path, "snapshots-old.csv", age_s=31)
    lay(tmp_path, "2031-02/snapshots-new.csv", age_s=29)
    seen = files_in(Inbox(folders=(str(tmp_path),)))
    assert names(to_take_up(seen, set(), settle_seconds=30, now=NOW)) == ["snapshots-old.csv"]


def test_a_file_is_taken_up_once_and_again_when_it_has_changed(tmp_path):
    file = lay(tmp_path, "snapshots.csv", age_s=100)
    inbox = Inbox(folders=(str(tmp_path),))
    taken = set(files_in(inbox))
    assert to_take_up(files_in(inbox), taken, settle_seconds=30, now=NOW) == []
    file.write_text("vehicle_id\nv1\nv2\n")
    os.utime(file, (NOW.timestamp() - 40,) * 2)
    assert names(to_take_up(files_in(inbox), taken, settle_seconds=30, now=NOW)) == ["snapshots.csv"]


def test_what_is_hidden_or_of_no_known_ending_is_left_alone(tmp_path):
    for name in (".snapshots.csv", "snapshots.csv.part", "readme.txt", ".hidden/snapshots.csv", "truth/faults.csv"):
        lay(tmp_path, name, age_s=100)
    assert files_in(Inbox(folders=(str(tmp_path),))) == []


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(SettingError, match="gone is no folder that can be read"):
        files_in(Inbox(folders=(str(tmp_path / "gone"),)))
