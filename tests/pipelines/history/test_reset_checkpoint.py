"""History that goes on from a checkpoint gives, to the last bit, what history from the first reading gives."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.history.reconstruct import reconstruct
from pipelines.history.reset_likelihood import SERIES
from pipelines.resume.reset_checkpoint import ResetCheckpoint, learning_since

WEEKS = 48
CUT, NOW = 41, 45  # weeks: of a checkpoint, and of the analysis that goes on from it; the third block began at 39


@pytest.fixture
def fleet(evidence, weekly, learned, catalogue, day):
    """Fourteen vehicles, some of whose lost power wiped their values, and recorded resets; one joins late."""

    def make(seed=1):
        rng = np.random.default_rng(seed)
        snapshots, work = [], []
        for i in range(14):
            lost = sorted(rng.choice(np.arange(4, WEEKS), 4, replace=False))
            wiped = tuple(week for week in lost if rng.random() < 0.5)
            since = [week - max([0, *(at for at in lost if at <= week)]) for week in range(WEEKS)]
            clock = [10.0 * gone if i else None for gone in since]
            pace = rng.uniform(200, 600, WEEKS).cumsum().tolist()
            values = learned(WEEKS, seed=100 * seed + i, back=wiped, share=0.6)
            rows = weekly(f"v{i:02d}", clock, odometer_km=pace, **values)
            snapshots += rows[40 if i == 5 else 0 :]
            work.append({"vehicle_id": f"v{i:02d}", "done_at": day(rng.uniform(0, 7 * WEEKS)), "kind": "reset"})
        return evidence(snapshots=snapshots, work=work, corrections=catalogue)

    return make


@pytest.fixture
def known(day):
    """Evidence as it was known at a week's end."""

    def at(fleet, week):
        return replace(
            fleet,
            as_of=day(7 * week),
            snapshots=fleet.snapshots.filter(pl.col("read_at") < day(7 * week)),
            work=fleet.work.filter(pl.col("done_at") < day(7 * week)),
        )

    return at


@pytest.fixture
def until(day):
    """Day since 1970 of a week's end."""
    return lambda week: day(7 * week).timestamp() / 86_400


def assert_same(resumed, full):
    assert_frame_equal(resumed.readings, full.readings, check_exact=True)
    assert_frame_equal(resumed.epochs, full.epochs, check_exact=True)


@pytest.mark.parametrize("seed", range(4))
def test_week_upon_week_gives_what_the_whole_gives(fleet, known, until, seed):
    whole, kept = fleet(seed), ResetCheckpoint.empty()
    shown = 0
    for week in (20, 27, 33, 40, 41, 45, WEEKS):
        now = known(whole, week)
        history, kept = learning_since(kept, now, until=until(week - 2))
        full = reconstruct(now)
        assert_same(history, full)
        shown += (full.epochs["reason"] == "power_loss").sum()
        begun, fresh = learning_since(ResetCheckpoint.empty(), now, until=until(week - 2))
        assert_same(begun, full)
        for name in SERIES.names:
            np.testing.assert_array_equal(kept.series[name], fresh.series[name])
        for name in ("rows", "digests", "ratio"):
            np.testing.assert_array_equal(getattr(kept, name), getattr(fresh, name))
    assert shown > 0


def goes_on(kept, now, until):
    """[vehicles] whether each goes on from a checkpoint: then its ratios are the checkpoint's, which are made 777."""
    _, left = learning_since(replace(kept, ratio=np.full_like(kept.ratio, 777.0)), now, until=until)
    first = np.cumsum(left.rows) - left.rows
    return {vehicle: left.ratio[at] == 777.0 for vehicle, at in zip(left.vehicles, first, strict=True)}


def test_a_vehicle_whose_past_changed_begins_anew_and_no_other(fleet, known, until, day):
    whole = fleet()
    _, kept = learning_since(ResetCheckpoint.empty(), known(whole, NOW - 1), until=until(CUT))
    now = known(whole, NOW)
    assert all(goes_on(kept, now, until(CUT)).values())
    late = (pl.col("vehicle_id") == "v03") & (pl.col("read_at") >= day(7 * 40))  # in the block that teaches none yet
    changed = replace(now, snapshots=now.snapshots.with_columns(c0=pl.when(late).then(9.5).otherwise("c0")))
    found = goes_on(kept, changed, until(CUT))
    assert [vehicle for vehicle, still in found.items() if not still] == ["v03"]
    assert_same(learning_since(kept, changed, until=until(CUT))[0], reconstruct(changed))


@pytest.mark.parametrize("what", ["catalogue", "an earlier time", "a past block", "another fleet"])
def test_what_a_checkpoint_does_not_fit_begins_anew(fleet, known, until, day, what):
    whole = fleet()
    _, kept = learning_since(ResetCheckpoint.empty(), known(whole, NOW - 1), until=until(CUT))
    now, cut = known(whole, NOW), until(CUT)
    if what == "catalogue":
        now = replace(now, corrections=now.corrections.with_columns(neutral=pl.col("neutral") + 0.5))
    elif what == "an earlier time":
        now, cut = known(whole, CUT - 2), until(CUT - 4)
    elif what == "a past block":  # from which all scatter is learned
        early = pl.col("read_at") < day(7 * 20)
        now = replace(
            now, snapshots=now.snapshots.with_columns(c0=pl.when(early).then(3 * pl.col("c0")).otherwise("c0"))
        )
    else:
        renamed = pl.concat_str(pl.lit("w"), "vehicle_id")
        now = replace(
            now,
            snapshots=now.snapshots.with_columns(vehicle_id=renamed),
            work=now.work.with_columns(vehicle_id=renamed),
            vehicles=now.vehicles.with_columns(vehicle_id=renamed),
        )
    assert not any(goes_on(kept, now, cut).values())
    assert_same(learning_since(kept, now, until=cut)[0], reconstruct(now))
