from polars.testing import assert_frame_equal

from pipelines.intake.load import load
from pipelines.store import layout
from pipelines.store.checking import breaches
from pipelines.store.connection import frame_of
from pipelines.store.published import vehicle_snapshots

FLEET = [f"v{number}" for number in range(4)]


def week(number: int) -> str:
    rows = [f"{vehicle},2031-01-{number + 1:02d}T08:00:00Z,{number}" for vehicle in FLEET]
    return "\n".join(["vehicle_id,read_at,ltft_b1_idle", *rows]) + "\n"


def vehicles_on_disk(store) -> list[str]:
    with store.reading() as connection:
        return frame_of(connection, "SELECT vehicle_id FROM snapshots ORDER BY rowid")["vehicle_id"].to_list()


def test_a_vehicle_scattered_by_many_loads_is_gathered_and_nothing_else_changes(store, drop, monkeypatch):
    monkeypatch.setattr(layout, "ROW_GROUP", len(FLEET))
    monkeypatch.setattr(layout, "MOST_GROUPS", 3)
    for number in range(3):
        load(store, [drop(f"week{number}", snapshots=week(number))])
    assert vehicles_on_disk(store) == FLEET * 3
    load(store, [drop("week3", snapshots=week(3))])
    assert vehicles_on_disk(store) == sorted(FLEET * 4)
    assert vehicle_snapshots(store, "v2")["ltft_b1_idle"].to_list() == [0, 1, 2, 3]
    assert breaches(store) == []
    before = vehicle_snapshots(store, "v1")
    assert load(store, [drop("again", snapshots=week(3) + "\n")]).files[0].repeated == len(FLEET)
    assert_frame_equal(vehicle_snapshots(store, "v1"), before)
