"""What is held is the same whether all readings are in memory or each column in a file, and in whatever part it is."""

from dataclasses import fields
from datetime import timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.errors import StoreError
from pipelines.handover import HeldReadings
from pipelines.held import columns
from pipelines.parts.readings import InStore, Loaded
from pipelines.store import fleet as fleet_of_store

from .conftest import CATALOGUE, START, decide, healthy, in_month
from .test_whole_readings import exchanged

read_fleet = fleet_of_store.read_fleet


@pytest.fixture
def spoilt(fleet):
    """A batch in another unit, two vehicles exchanged in a month, misread values, and a vehicle that others replace."""
    slipped = in_month("trim_1", "trim_2", "odometer_km")(lambda value: value / 100)(healthy())
    swapped = exchanged(slipped, "v003", "v010", pl.col("read_at").dt.strftime("%Y-%m") == "2030-03")
    misread = (pl.int_range(pl.len()) % 61 == 30) & (pl.col("read_at") > START + timedelta(days=40))
    return fleet.store(swapped.with_columns(rail=pl.when(misread).then(pl.col("rail") + 30).otherwise("rail")))


def both(store, monkeypatch):
    monkeypatch.setattr(fleet_of_store, "AT_ONCE", 700)
    one, other = read_fleet(store), read_fleet(store, most_here=0)
    assert one.is_here
    assert not other.is_here
    assert other.evidence.snapshots.is_empty()
    return one, other


def assert_alike(one, other):
    for each in fields(HeldReadings):
        of_one, of_other = getattr(one.evidence.held, each.name), getattr(other.evidence.held, each.name)
        order = [name for name in ("batch_id", "vehicle_id", "read_at", "column_name") if name in of_one.columns]
        assert_frame_equal(of_one.sort(order), of_other.sort(order), check_exact=True)
    assert_frame_equal(one.evidence.faults, other.evidence.faults)
    assert one.shown.first_day == other.shown.first_day
    assert set(one.shown.codes) == set(other.shown.codes) == set(CATALOGUE["code"])


def test_held_readings_are_those_of_a_fleet_in_memory(spoilt, monkeypatch):
    one, other = both(spoilt, monkeypatch)
    looks = set(one.evidence.held.batches["looks_like"])
    assert len(looks) > 3
    assert "single misread values" in looks
    assert_alike(one, other)
    for batch in one.evidence.held.batches.filter(decision="open")["batch_id"]:
        decide(spoilt, "convert", batch)
    one, other = both(spoilt, monkeypatch)
    assert one.evidence.held.cells["of"].count()
    assert_alike(one, other)
    midway = START + timedelta(days=70)
    assert_alike(read_fleet(spoilt, as_of=midway), read_fleet(spoilt, as_of=midway, most_here=0))


def test_vehicles_of_a_part_read_what_they_read_among_all(spoilt, monkeypatch):
    one, other = both(spoilt, monkeypatch)
    for batch in one.evidence.held.batches.filter(decision="open")["batch_id"]:
        decide(spoilt, "convert", batch)
    one, other = both(spoilt, monkeypatch)
    source = InStore(path=spoilt.path, as_of=one.evidence.as_of, known_at=None, judged=other.judged)
    whole, names = Loaded(evidence=one.evidence), one.evidence.vehicles["vehicle_id"].to_list()
    for some in (names[::2], names[1::2], ["v003"]):
        part, expected = source.for_part(some).of(some, None), whole.of(some, object())
        assert_frame_equal(part.snapshots, expected.snapshots)
        assert_frame_equal(part.held.cells, expected.held.cells)


def test_no_room_for_columns_is_one_line(spoilt, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(columns.ColumnWriter, "_write", full)
    with pytest.raises(StoreError, match=r"cannot be put there \(No space left on device\). Set TMPDIR to a folder"):
        read_fleet(spoilt, most_here=0)
