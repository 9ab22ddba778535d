"""Which backups stay: the newest of each of the last days, weeks and months, and never none."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from pipelines.settings_file import Backups
from pipelines.upkeep.rotation import backup_name, backups_in, to_remove

BEGAN = datetime(2031, 1, 1, 3, tzinfo=UTC)
KEEP = Backups(days=7, weeks=5, months=12)
times = st.lists(st.integers(0, 24 * 900).map(lambda hours: BEGAN + timedelta(hours=hours)), unique=True)


def named(moments) -> dict[Path, datetime]:
    return {Path(backup_name(at)): at for at in moments}


def test_of_a_year_of_nightly_backups_a_week_five_weeks_and_twelve_months_stay():
    nights = [BEGAN + timedelta(days=day) for day in range(365)]
    every = named(nights)
    stays = sorted(set(every) - set(to_remove(every, KEEP)))
    days = [every[file].date().isoformat() for file in stays]
    assert days[-7:] == [f"2031-12-{day}" for day in range(25, 32)]  # the last week
    assert "2031-12-21" in days  # the newest of each week
    assert "2031-12-07" in days
    assert days[:2] == ["2031-01-31", "2031-02-28"]  # the newest of each month
    assert len(days) == 7 + 3 + 11  # of five weeks and twelve months some are the same backups


@given(times)
def test_the_newest_stays_whatever_there_is_and_what_goes_was_there(moments):
    every = named(moments)
    gone = set(to_remove(every, Backups(days=1, weeks=0, months=0)))
    assert gone <= set(every)
    assert not moments or Path(backup_name(max(moments))) not in gone


@given(times)
def test_what_is_kept_once_is_kept_when_asked_again(moments):
    every = named(moments)
    rest = {file: at for file, at in every.items() if file not in to_remove(every, KEEP)}
    assert to_remove(rest, KEEP) == []
    assert len(rest) <= 7 + 5 + 12


def test_only_files_of_our_own_name_are_backups(tmp_path):
    for name in ("leeway-20310101T030000Z.backup", "leeway-old.backup", "fleet.backup", "notes.txt"):
        (tmp_path / name).write_text("")
    assert backups_in(tmp_path) == {tmp_path / "leeway-20310101T030000Z.backup": BEGAN}
