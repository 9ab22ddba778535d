"""A store of the form before opens, with everything in it, and its loads can be withdrawn."""

from datetime import UTC, datetime

import duckdb
import pytest

from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.intake.mapping import read_mapping
from pipelines.store import schema
from pipelines.store.backup import restore
from pipelines.store.checking import breaches
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import flagged, log_values, quarantined
from pipelines.store.wholeness import damage
from pipelines.store.withdrawal import withdraw

LATER = datetime(2031, 2, 1, tzinfo=UTC)
ROWS = """
    INSERT INTO loads BY NAME SELECT * FROM (VALUES
        (1, 'a', 'vehicles.csv', 'vehicles', 'h1', TIMESTAMPTZ '2031-01-01 00:00:00Z', 1, 1),
        (2, 'a', 'readings.csv', 'readings', 'h2', TIMESTAMPTZ '2031-01-01 00:00:00Z', 1, 0),
        (3, 'b', 'readings.csv', 'readings', 'h3', TIMESTAMPTZ '2031-01-02 00:00:00Z', 2, 0),
        (4, 'c', 'vehicles.csv', 'vehicles', 'h4', TIMESTAMPTZ '2031-01-03 00:00:00Z', 1, 0)
    ) t(load_id, drop_name, file, table_name, content_hash, loaded_at, row_count, quarantined);
    INSERT INTO quarantine (quarantine_id, load_id, row_number, mended_by) VALUES (1, 1, 1, 3);
    INSERT INTO vehicles BY NAME SELECT 'v1' AS vehicle_id, 'rowan' AS engine_family, 4 AS load_id;
    INSERT INTO vehicles_replaced BY NAME SELECT 'v1' AS vehicle_id, 'alder' AS engine_family, 1 AS load_id,
        4 AS replaced_by, TIMESTAMPTZ '2031-01-03 00:00:00Z' AS replaced_at;
    ALTER TABLE readings ADD COLUMN ltft_b1_idle FLOAT; ALTER TABLE readings ADD COLUMN ltft_b1_low FLOAT;
    ALTER TABLE readings_replaced ADD COLUMN ltft_b1_idle FLOAT;
    ALTER TABLE readings_replaced ADD COLUMN ltft_b1_low FLOAT;
    -- Load 2 brought the first correction, load 3 another value of it, and the second.
    INSERT INTO readings_replaced BY NAME SELECT 'v1' AS vehicle_id, TIMESTAMPTZ '2031-01-01 08:00:00Z' AS read_at,
        1.0 AS ltft_b1_idle, 2 AS load_id, 3 AS replaced_by, TIMESTAMPTZ '2031-01-02 00:00:00Z' AS replaced_at;
    INSERT INTO readings BY NAME SELECT 'v1' AS vehicle_id, TIMESTAMPTZ '2031-01-01 08:00:00Z' AS read_at,
        2.0 AS ltft_b1_idle, 5.0 AS ltft_b1_low, 3 AS load_id;
"""


@pytest.fixture
def before(tmp_path) -> Store:
    """A store of the form that had two steps behind it, whose pointer does not say how large its state is."""
    store = Store(tmp_path / "store")
    store.path.mkdir()
    with duckdb.connect(str(store.state_file(7))) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        for _, step in schema.STEPS[:2]:
            step(connection)
        schema.put_setting(connection, "schema_version", "2")
        connection.execute(ROWS)
    (store.path / "current").write_text("state-000007.duckdb\n")
    return store


def idle_and_low(store: Store, **when) -> tuple:
    row = read_evidence(store, **when).snapshots.row(0, named=True)
    return row.get("ltft_b1_idle"), row.get("ltft_b1_low")


def test_a_store_of_the_form_before_opens_with_everything_in_it(before):
    assert idle_and_low(before) == (2.0, 5.0)
    assert idle_and_low(before, known_at=datetime(2031, 1, 1, 12, tzinfo=UTC)) == (1.0, None)
    assert read_evidence(before).vehicles["engine_family"].to_list() == ["rowan"]
    assert before.version() == 8
    assert breaches(before) == []


def test_the_release_before_can_take_back_its_store_from_what_every_upgrade_keeps(before, tmp_path, monkeypatch):
    load(before, [_drop(tmp_path)])  # the upgrade, and a change after it
    kept = before.path / "before-upgrade-from-2.duckdb"
    assert damage(kept) is None
    with before.writing("something later"):
        pass  # a later write leaves it where it is
    monkeypatch.setattr(schema, "STEPS", schema.STEPS[:2])  # as the release before
    with pytest.raises(StoreError, match="Install the newer release"), before.reading():
        pass
    restore(before, kept)
    with before.reading() as connection:
        assert connection.execute("SELECT count(*) FROM loads").fetchall() == [(4,)]


def _drop(folder):
    (folder / "vehicles.csv").write_text("vehicle_id,engine_family\nv9,alder\n")
    return folder / "vehicles.csv"


def test_loads_of_the_form_before_can_be_withdrawn(before):
    withdraw(before, ["2"])
    assert idle_and_low(before) == (2.0, 5.0)
    withdraw(before, ["3"])
    left = read_evidence(before, as_of=LATER)
    assert left.snapshots.is_empty()
    assert left.vehicles["engine_family"].to_list() == ["rowan"]
    assert quarantined(before)["quarantine_id"].to_list() == [1]
    withdraw(before, ["4"])
    assert read_evidence(before, as_of=LATER).vehicles["engine_family"].to_list() == ["alder"]


def test_what_the_later_of_two_loads_changed_is_as_it_was_before_it(before):
    withdraw(before, ["b"])
    assert idle_and_low(before) == (1.0, None)


def test_flags_of_before_on_exchanged_vehicles_go_since_such_readings_wait_for_a_decision(before):
    with duckdb.connect(str(before.state_file(7))) as connection:
        for reason in (schema.EXCHANGED, "fell"):
            connection.execute("INSERT INTO flags (load_id, vehicle_id, reason) VALUES (2, 'v1', ?)", [reason])
    assert flagged(before)["reason"].to_list() == ["fell"]


def test_a_log_loaded_into_a_store_of_before_says_what_its_values_rest_on(before, tmp_path):
    rows = "\n".join(f"v1,2031-03-01 08:{n // 60:02d}:{n % 60:02d},{n % 5},90" for n in range(40))
    (tmp_path / "log.csv").write_text(f"vehicle_id,read_at,ltft_b1_idle,coolant_c\n{rows}\n")
    (tmp_path / "log.toml").write_text(
        'table = "snapshots"\n[log]\nsession_gap_minutes = 20\n[[column]]\nto = "vehicle_id"\nfrom = "vehicle_id"\n'
        '[[column]]\nto = "read_at"\nfrom = "read_at"\n[[column]]\nto = "ltft_b1_idle"\nfrom = "ltft_b1_idle"\n'
        'how = "median"\n'
    )
    report = load(before, [tmp_path / "log.csv"], mapping=read_mapping(tmp_path / "log.toml"))
    assert report.exit_code == 0
    assert log_values(before, "v1").drop("read_at").rows() == [("ltft_b1_idle", 40, 0.0, 4.0)]
    withdraw(before, [str(report.files[0].load_id)])
    assert log_values(before, "v1").is_empty()
