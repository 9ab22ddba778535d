"""`leeway analyse --states` on a store: the states that a whole analysis gives, and nothing else is touched."""

import sys
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner
from polars.testing import assert_frame_equal

from pipelines.command import analyse
from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.drift_checkpoint import CHECKSUMS, NAME
from pipelines.store.folder import Store
from pipelines.store.published import kept_as_ofs, read_published

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from drift_fleets import World, light_fleet

WEEKS = 32


@pytest.fixture(scope="module")
def evidence():
    world = World(family_sizes=(14, 12), corrections=3, weeks=WEEKS, resets=1.0, drifting=0.5, calibrations=1)
    return light_fleet(world).evidence


@pytest.fixture
def store(tmp_path, evidence) -> Store:
    """All but the last two weeks, and ready to load beside it: those."""
    late = pl.col("read_at") > evidence.snapshots["read_at"].min() + timedelta(weeks=WEEKS - 2)
    for name, snapshots in (("first", evidence.snapshots.filter(~late)), ("second", evidence.snapshots.filter(late))):
        (tmp_path / name).mkdir()
        for table in ("vehicles", "corrections"):
            _read(getattr(evidence, table)).write_parquet(tmp_path / name / f"{table}.parquet")
        _read(snapshots).write_parquet(tmp_path / name / "snapshots.parquet")
    made = Store(tmp_path / "fleet.store")
    load(made, [tmp_path / "first"])
    return made


def _read(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(column for column in frame if column.null_count() < len(column))


def run(store, *words) -> str:
    result = CliRunner().invoke(analyse, ["--store", str(store.path), *words], catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


def test_they_are_those_of_a_whole_analysis_and_say_what_the_rest_is_of(store, tmp_path):
    assert "All other tables are not published yet: leeway analyse" in run(store, "--states")
    run(store)
    first = kept_as_ofs(store)[0]
    load(store, [tmp_path / "second"])
    said = run(store, "--states")
    assert f"All other tables stay as of {first:%Y-%m-%d %H:%M} UTC" in said
    states = read_published(store, "correction_state")
    assert kept_as_ofs(store) == [first]
    assert states["as_of"][0] > first
    run(store)
    whole = read_published(store, "correction_state")
    assert_frame_equal(states, whole, check_exact=True)
    assert states["alarm"].any()
    assert breaches(store) == []


def test_states_published_alone_give_way_to_the_next_ones_and_take_no_place_of_whole_analyses(store):
    last = [f"2031-07-{day:02d}" for day in (1, 2, 3)]
    run(store, "--as-of", last[0])
    for as_of in last[1:]:
        run(store, "--states", "--as-of", as_of)
    kept = [f"{time:%Y-%m-%d}" for time in kept_as_ofs(store, "correction_state")]
    assert kept == [last[0], last[2]]
    run(store, "--as-of", "2031-06-30")
    kept = [f"{time:%Y-%m-%d}" for time in kept_as_ofs(store, "correction_state")]
    assert kept == ["2031-06-30", last[0]]


def test_a_spoilt_checkpoint_is_told_of_and_the_states_are_right_all_the_same(store):
    run(store, "--states")
    right = read_published(store, "correction_state")
    (store.path / NAME / CHECKSUMS).write_text("spoilt")
    assert "drift is computed from the first reading" in run(store, "--states")
    assert_frame_equal(read_published(store, "correction_state"), right, check_exact=True)


def test_an_earlier_time_leaves_the_newer_checkpoint(store):
    run(store, "--states")
    before = (store.path / NAME / CHECKSUMS).read_bytes()
    run(store, "--states", "--as-of", "2031-06-01")
    assert (store.path / NAME / CHECKSUMS).read_bytes() == before
