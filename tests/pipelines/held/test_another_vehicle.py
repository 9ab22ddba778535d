"""A fleet number that passes to another vehicle begins a new history, and says so."""

import polars as pl
import pytest

from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from tests.pipelines.held.conftest import evidence_of, healthy

VIN, OTHER, MENDED = "1HGCM82633A004352", "5YJSA1E26HF000337", "1HGCM82633A004353"


def vehicles(folder, vin: str, family: str = "alder", service: str = ""):
    path = folder / f"vehicles-{vin}-{family}.csv"
    path.write_text(f"vehicle_id,vin,engine_family,depot,in_service_on\nv003,{vin},{family},Ridge,{service}\n")
    return path


@pytest.mark.parametrize(
    ("row", "begins"),
    [
        ((OTHER, "alder", "2030-04-20"), True),
        ((OTHER, "alder", ""), True),
        ((VIN, "rowan", ""), True),
        ((MENDED, "alder", ""), False),
    ],
)
def test_readings_before_the_number_passed_on_are_of_another_history(fleet, tmp_path, row, begins):
    vin, family, service = row
    right = healthy()
    late = pl.col("read_at") >= pl.datetime(2030, 5, 1, time_zone="UTC")
    store = fleet.store(right.filter(~late))
    load(store, [vehicles(tmp_path, VIN)])
    load(store, [vehicles(tmp_path, vin, family, service)])
    new = tmp_path / "snapshots-2030-05.csv"
    right.filter(late).drop("depot").write_csv(new)
    load(store, [new])
    evidence = evidence_of(store)
    mine = evidence.snapshots.filter(pl.col("vehicle_id") == "v003")["read_at"]
    told = reconstruct(evidence).notices.filter(pl.col("kind") == "begun_anew")
    assert told["vehicle_id"].to_list() == (["v003"] if begins else [])
    if begins:
        assert str(mine.min())[:7] == ("2030-04" if service else "2030-05")
        assert told["at"].to_list() == [mine.min()]
    else:
        assert len(mine) == 27
