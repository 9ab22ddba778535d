"""The drift checkpoint on disk: it comes back as it was, and one that is spoilt or of another make is told of."""

import sys
from pathlib import Path

import numpy as np
import pytest

from pipelines.bands.panel import panels
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.resume.drift_checkpoint import copied
from pipelines.resume.drift_run import straying_since
from pipelines.settings import Settings
from pipelines.store.backup import back_up, restore
from pipelines.store.checking import breaches
from pipelines.store.drift_checkpoint import CHECKSUMS, NAME, checkpoint_folder
from pipelines.store.folder import Store

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from drift_fleets import World, light_fleet


def nothing_said(line):
    raise AssertionError(line)


@pytest.fixture(scope="module")
def fleet():
    return light_fleet(World(family_sizes=(12, 2), corrections=2, weeks=30, calibrations=1))


@pytest.fixture(scope="module")
def checkpoint(fleet):
    return run_on(None, fleet)[1]


@pytest.fixture
def loaded(store, small_drop) -> Store:
    load(store, [small_drop])
    return store


def run_on(kept, fleet, put=copied):
    left = []
    drift = straying_since(
        kept,
        panels(fleet.evidence, fleet.history),
        evidence=fleet.evidence,
        history=fleet.history,
        settings=Settings(),
        keep=left.append,
        put=put,
    )
    return drift, left[0]


def write_checkpoint(store, checkpoint):
    with checkpoint_folder(store) as folder:
        folder.write(checkpoint)


def read_checkpoint(store, say):
    with checkpoint_folder(store) as folder:
        return folder.read(say=say)


def assert_equal(one, other):
    assert type(one) is type(other)
    if isinstance(one, np.ndarray):
        assert one.dtype == other.dtype
        assert one.dtype.isalignedstruct == other.dtype.isalignedstruct
        if one.dtype.names:  # by field, since an empty number in a record is not equal to itself
            for name in one.dtype.names:
                assert_equal(one[name], other[name])
        else:
            np.testing.assert_array_equal(one, other)
    elif isinstance(one, list):
        for a, b in zip(one, other, strict=True):
            assert_equal(a, b)
    elif isinstance(one, dict):
        assert list(one) == list(other)
        assert_equal(list(one.values()), list(other.values()))
    elif hasattr(one, "__dataclass_fields__"):
        assert_equal(vars(one), vars(other))
    else:
        assert one == other


def test_what_was_kept_comes_back_and_drift_goes_on_from_it(loaded, checkpoint, fleet):
    assert read_checkpoint(loaded, say=nothing_said) is None
    write_checkpoint(loaded, checkpoint)
    back = read_checkpoint(loaded, say=nothing_said)
    assert_equal(back, checkpoint)
    drift, _ = run_on(back, fleet)
    assert len(drift.families[0].panel.read_at) < len(fleet.day) / 3
    assert drift.correction_state.equals(run_on(None, fleet)[0].correction_state)


@pytest.mark.parametrize("spoil", ["cut", "flipped", "empty", "foreign", "lacking", "older"])
def test_a_spoilt_one_is_told_of_in_one_line_and_not_used(loaded, checkpoint, spoil):
    write_checkpoint(loaded, checkpoint)
    file = loaded.path / NAME / "0.peers.npy"
    content = bytearray(file.read_bytes())
    if spoil == "cut":
        file.write_bytes(content[: len(content) // 2])
    elif spoil == "flipped":
        content[-9] ^= 64
        file.write_bytes(content)
    elif spoil == "empty":
        file.write_bytes(b"")
    elif spoil == "foreign":
        (loaded.path / NAME / CHECKSUMS).write_text("another release's")
    elif spoil == "lacking":
        file.unlink()
    else:
        (loaded.path / NAME / CHECKSUMS).write_text("{}")
    said = []
    assert read_checkpoint(loaded, say=said.append) is None
    assert len(said) == 1
    assert NAME in said[0]
    assert "\n" not in said[0]


def test_the_store_checks_backs_up_and_restores_as_without_it(loaded, checkpoint, tmp_path):
    write_checkpoint(loaded, checkpoint)
    assert breaches(loaded) == []
    back_up(loaded, tmp_path / "fleet.backup")
    restore(loaded, tmp_path / "fleet.backup")
    assert breaches(loaded) == []
    assert read_checkpoint(loaded, say=nothing_said) is not None


def test_files_are_used_again_and_none_is_left_over(loaded, checkpoint, fleet):
    small = run_on(None, light_fleet(World(family_sizes=(11,), corrections=1, weeks=30)))[1]
    for kept in (checkpoint, checkpoint, small, small, checkpoint):
        write_checkpoint(loaded, kept)
        assert_equal(read_checkpoint(loaded, say=nothing_said), kept)
    spare, files = loaded.path / f"{NAME}.spare", {file.name for file in (loaded.path / NAME).iterdir()}
    assert {file.name for file in spare.iterdir()} < files
    with checkpoint_folder(loaded) as folder:
        _, left = run_on(None, fleet, put=folder.put)
        folder.write(left)
    assert_equal(read_checkpoint(loaded, say=nothing_said).resets, checkpoint.resets)
    drift, _ = run_on(read_checkpoint(loaded, say=nothing_said), fleet)
    assert len(drift.families[0].panel.read_at) < len(fleet.day) / 3


@pytest.mark.parametrize(
    "stopped", ["spare half full", "before the new one is in place", "before the old one is spare"]
)
def test_a_run_that_was_stopped_leaves_a_whole_one_or_none(loaded, checkpoint, stopped):
    write_checkpoint(loaded, checkpoint)
    write_checkpoint(loaded, checkpoint)
    target, spare, between = (loaded.path / f"{NAME}{end}" for end in ("", ".spare", ".between"))
    if stopped == "spare half full":
        (spare / "0.peers.npy").write_bytes(b"half")
    elif stopped == "before the new one is in place":
        target.rename(between)
    else:
        spare.rename(between)
    back = read_checkpoint(loaded, say=nothing_said)
    assert back is None if stopped == "before the new one is in place" else back.week == checkpoint.week
    write_checkpoint(loaded, checkpoint)
    assert_equal(read_checkpoint(loaded, say=nothing_said), checkpoint)
    assert not between.exists()


def test_a_store_that_cannot_hold_it_is_told_of(loaded, checkpoint):
    (loaded.path / f"{NAME}.spare").write_text("not a folder")
    with pytest.raises(StoreError, match="No checkpoint was kept"):
        write_checkpoint(loaded, checkpoint)
