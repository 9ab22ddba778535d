"""The device that read a snapshot is kept; a store of the form before it opens."""

from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.schema import put_setting


def snapshots(folder, day: int):
    path = folder / f"snapshots-{day}.csv"
    path.write_text(f"vehicle_id,read_at,reader,ltft_b1_idle\nv1,2031-01-0{day}T08:00:00Z,tablet {day},1.5\n")
    return path


def test_a_store_without_readers_opens_and_takes_them(tmp_path):
    store = Store(tmp_path / "store")
    vehicles = tmp_path / "vehicles.csv"
    vehicles.write_text("vehicle_id,engine_family\nv1,alder\n")
    load(store, [vehicles, snapshots(tmp_path, 1)])
    with store.writing("the form before") as connection:
        for table in ("snapshots", "snapshots_replaced"):
            connection.execute(f"ALTER TABLE {table} DROP COLUMN reader")
        put_setting(connection, "schema_version", "3")
    load(store, [snapshots(tmp_path, 2)])
    assert read_evidence(store).snapshots["reader"].to_list() == [None, "tablet 2"]
