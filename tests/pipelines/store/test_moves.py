"""A vehicle that moves to another depot: earlier readings keep the depot before it."""

from datetime import UTC, date, datetime

import pytest

from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.moves import timeline
from pipelines.store.schema import STEPS

BEFORE = [name for name, _ in STEPS].index("date from which a vehicle's depot holds")
DAYS = (6, 13, 20, 27)


def readings(*days: int) -> str:
    return "vehicle_id,read_at\n" + "".join(f"{v},2031-01-{d:02d}T08:00:00Z\n" for v in ("v1", "v2") for d in days)


def vehicles(depot: str, since: str = "") -> str:
    return f"vehicle_id,engine_family,depot,depot_since\nv1,alder,{depot},{since}\nv2,alder,millrace,\n"


def depots(store, **asked) -> list[str]:
    return reconstruct(read_evidence(store, **asked)).readings.filter(vehicle_id="v1")["depot"].to_list()


def test_readings_keep_the_depot_of_their_time(store, drop):
    load(store, [drop("a", vehicles=vehicles("millrace"), snapshots=readings(*DAYS))])
    load(store, [drop("b", vehicles=vehicles("saltings", "2031-01-18"))])
    assert depots(store) == ["millrace", "millrace", "saltings", "saltings"]
    assert read_evidence(store).vehicles["depot"].to_list() == ["saltings", "millrace"]


def test_a_move_that_is_still_to_come_is_not_known_of_yet(store, drop):
    load(store, [drop("a", vehicles=vehicles("millrace"), snapshots=readings(*DAYS))])
    load(store, [drop("b", vehicles=vehicles("saltings", "2031-01-18"))])
    early = read_evidence(store, as_of=datetime(2031, 1, 14, tzinfo=UTC))
    assert early.vehicles["depot"].to_list() == ["millrace", "millrace"]


def test_a_new_row_without_a_date_holds_after_what_was_read_by_then(store, drop):
    load(store, [drop("a", vehicles=vehicles("millrace"), snapshots=readings(6, 13))])
    load(store, [drop("b", vehicles=vehicles("saltings"), snapshots=readings(20, 27))])
    assert depots(store) == ["millrace", "millrace", "saltings", "saltings"]


def test_a_store_of_the_form_before_takes_moves_up(store, drop):
    load(store, [drop("a", vehicles=vehicles("millrace"), snapshots=readings(*DAYS))])
    with store.writing("test") as connection:
        connection.execute("ALTER TABLE vehicles DROP COLUMN depot_since")
        connection.execute("ALTER TABLE vehicles_replaced DROP COLUMN depot_since")
        connection.execute("UPDATE setting SET value = ? WHERE name = 'schema_version'", [str(BEFORE)])
    assert depots(store) == ["millrace"] * 4
    load(store, [drop("b", vehicles=vehicles("saltings", "2031-01-18"))])
    assert depots(store) == ["millrace", "millrace", "saltings", "saltings"]


READ = datetime(2031, 1, 13, 8, tzinfo=UTC)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ([("a", date(2031, 1, 1), None)], ["a"]),
        ([("a", None, None), ("b", None, READ), ("b", None, READ)], ["a", "b"]),
        ([("a", None, None), ("b", None, None)], ["b"]),  # nothing was read before: a correction of the record
        ([("a", None, None), ("b", date(2031, 3, 1), READ), ("c", date(2031, 2, 1), READ)], ["a", "c"]),
        ([("a", None, None), ("b", date(2031, 2, 1), READ), ("a", date(2031, 3, 1), READ)], ["a", "b", "a"]),
    ],
)
def test_what_was_said_last_of_a_time_holds(rows, expected):
    assert [depot for _, depot in timeline(rows)] == expected
