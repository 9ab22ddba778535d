"""How a store stands: what failed, what is late and what waits are said; a store that cannot be read is no error."""

from datetime import UTC, datetime, timedelta

import pytest

from dashboard.watched import figures
from pipelines.intake.load import load
from pipelines.upkeep.condition import condition
from pipelines.upkeep.runs import begin, end


@pytest.fixture
def loaded(store, small_drop):
    load(store, [small_drop])
    return store


def now() -> datetime:
    return datetime.now(UTC)


def test_a_store_without_troubles_says_what_it_holds(loaded):
    stands = condition(loaded, now=now())
    assert stands.troubles == ()
    assert stands.holds.read_at == datetime(2031, 1, 13, 8, tzinfo=UTC)
    assert stands.holds.analysed_at is None
    assert stands.store_bytes > 0


def test_what_was_loaded_a_day_ago_and_not_analysed_is_late(loaded):
    assert "not analysed" in condition(loaded, now=now() + timedelta(hours=25)).troubles[0]


def test_a_job_that_failed_and_one_that_never_ended_are_troubles(loaded):
    number = begin(loaded.path, "backup", version="1", settings_digest="d")
    end(loaded.path, number, exit_code=2, said="first\nno room left")
    begin(loaded.path, "plan", version="1", settings_digest="d")
    assert condition(loaded, now=now()).troubles == ("backup: failed with code 2: no room left",)
    later = condition(loaded, now=now() + timedelta(hours=7)).troubles
    assert any(told.startswith("plan: began at") and "did not end" in told for told in later)


def test_a_load_that_set_rows_aside_ended_well(loaded):
    number = begin(loaded.path, "load", version="1", settings_digest="d")
    end(loaded.path, number, exit_code=3, said="1 row in quarantine")
    stands = condition(loaded, now=now())
    assert (stands.troubles, stands.runs) == ((), (("load", True, 1),))


def test_backups_that_are_set_and_not_made_are_late(loaded, tmp_path):
    (loaded.path / "settings.toml").write_text(f'[backup]\nfolder = "{tmp_path / "b"}"\nevery_hours = 3\n')
    assert "backup: none in the last 6 h" in condition(loaded, now=now()).troubles
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / f"leeway-{now():%Y%m%dT%H%M%SZ}.backup").write_text("")
    assert condition(loaded, now=now()).troubles == ()


@pytest.mark.parametrize("spoil", ["store", "settings"])
def test_what_cannot_be_read_is_a_trouble_and_no_error(loaded, spoil):
    if spoil == "store":
        loaded.state_file(loaded.version()).write_bytes(b"nothing")
    else:
        (loaded.path / "settings.toml").write_text("[plan")
    assert len(condition(loaded, now=now()).troubles) == 1


def test_figures_are_in_the_text_format_with_units_in_their_names(loaded):
    at = datetime(2031, 1, 14, 8, tzinfo=UTC)
    told = figures(condition(loaded, now=at), now=at).decode()
    assert "# TYPE leeway_reading_age_seconds gauge" in told
    assert "leeway_reading_age_seconds 86400.0" in told
    assert "v1" not in told
