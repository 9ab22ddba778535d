"""What parts gave is put together from files; what a killed analysis left goes, and a full disk is one line."""

from dataclasses import replace

import polars as pl
import pytest

from pipelines.analyse import Part
from pipelines.errors import StoreError
from pipelines.large_tables import LargeTable, select
from pipelines.parts import joining
from pipelines.parts.joining import Joining, room_for_parts
from pipelines.recurring.seen import Seen

NOTHING = pl.DataFrame()
PART = Part(tables={}, seen=Seen(repair_outcome=NOTHING, drifts=NOTHING, read=NOTHING, begun=NOTHING), traces={})


def part(*vehicles: str, more: str = "always") -> Part:
    tables = {"of_vehicles": pl.DataFrame({"vehicle_id": vehicles}), more: pl.DataFrame({"family": [vehicles[0]]})}
    return replace(PART, tables=tables)


def test_rows_of_vehicles_go_to_files_and_others_stay_in_the_order_of_the_parts(tmp_path):
    with room_for_parts(tmp_path) as room:
        joined = Joining(folder=room, parts=[["v1", "v4"], ["v3", "v2"]])
        joined.take(part("v4", "v1", more="first_alone"))
        joined.take(part("v3", "v2"))
        tables = joined.tables()
        assert list(tables) == ["of_vehicles", "first_alone", "always"]
        assert isinstance(tables["of_vehicles"], LargeTable)
        assert select(tables["of_vehicles"])["vehicle_id"].to_list() == ["v1", "v2", "v3", "v4"]
        assert select(tables["always"])["family"].to_list() == ["v3"]
        assert [each.tables for each in joined.arrived()] == [{}, {}]
    assert list(tmp_path.iterdir()) == []


def test_a_fleet_in_one_part_writes_nothing(tmp_path):
    joined = Joining(folder=tmp_path / "room", parts=[["v2", "v1"]])
    joined.take(part("v2", "v1"))
    assert joined.tables()["of_vehicles"].equals(pl.DataFrame({"vehicle_id": ["v2", "v1"]}))
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_analysis_left_goes_before_the_next(tmp_path):
    left = tmp_path / "analysing-parts" / "of_vehicles" / "00000.parquet"
    left.parent.mkdir(parents=True)
    left.write_bytes(b"half")
    with room_for_parts(tmp_path):
        assert not left.exists()


def test_a_full_disk_is_one_line(tmp_path, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(joining, "write_rows", full)
    with pytest.raises(StoreError, match=r"No space left on device. Nothing was published; free space") as told:
        Joining(folder=tmp_path, parts=[["v1"], ["v2"]]).take(part("v1"))
    assert "\n" not in str(told.value)
