"""Whoever may see some depots reads a store in which no row of another depot's vehicle is, whatever is asked."""

from datetime import UTC, datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import published_tables
from pipelines.intake.load import load
from pipelines.query.ask import ask
from pipelines.store.evidence import read_evidence
from pipelines.store.fleet_reads import correction_of_fleet, fleet_table
from pipelines.store.folder import Store
from pipelines.store.publish import publish_table
from pipelines.store.published import published_names, quarantined, read_published
from pipelines.store.scoped import ScopedStore

AS_OF = datetime(2031, 1, 20, tzinfo=UTC)
VEHICLES = "vehicle_id,engine_family,depot\nn1,alder,North\nn2,alder,North\ns1,alder,South\nx1,alder,\n"
SNAPSHOTS = "vehicle_id,read_at,ltft_b1_idle\n" + "".join(
    f"{vehicle},2031-01-{day:02d}T08:00:00Z,{value}\n"
    for day in (6, 13) for vehicle, value in (("n1", 1.5), ("n2", 0.5), ("s1", 7.5), ("x1", 2.0), ("stranger", 1.0))
)  # fmt: skip


@pytest.fixture
def filled(store, drop) -> Store:
    faults = "vehicle_id,read_at,code,confirmed\ns1,2031-01-13T08:00:00Z,P0171,true\n"
    work = "vehicle_id,done_at,kind,component\nn1,2031-01-10T08:00:00Z,inspection,throttle_body\n"
    bays = "depot,bays\nNorth,2\nSouth,3\n"
    notes = "at,about,text\n2031-01-02,fleet,all\n2031-01-02,South,theirs\n2031-01-02,s1,his\n2031-01-02,n1,ours\n"
    load(store, [drop(vehicles=VEHICLES, snapshots=SNAPSHOTS, faults=faults, work=work, bays=bays, notes=notes)])
    load(store, [drop("late", snapshots="vehicle_id,read_at,ltft_b1_idle\ns1,2031-01-14T08:00:00Z,bad\n")])
    states = pl.DataFrame({"vehicle_id": ["s1", "n2", "n1", "x1"], "state": "steady", "urgency": "none"})
    publish_table(store, "vehicle_state", _whole("vehicle_state", states), AS_OF)
    issues = pl.DataFrame({"issue_id": ["a", "b", "c"], "factor": ["depot", "depot", "duty"],
                           "level": ["South", "North", "long"]})  # fmt: skip
    publish_table(store, "recurring_issue", _whole("recurring_issue", issues), AS_OF)
    return store


def _whole(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    schema = published_tables()[name].schema
    lacking = [pl.lit(None, dtype).alias(column) for column, dtype in schema.items() if column not in frame.columns]
    return frame.with_columns(lacking)


def test_whoever_sees_every_depot_reads_the_same_to_the_last_row(filled):
    all_depots = ScopedStore(filled.path, ["North", "South"])  # x1 has no depot: only who is not limited sees it
    for name in published_names(filled):
        whole = read_published(filled, name)
        own = whole.filter(pl.col("vehicle_id") != "x1") if "vehicle_id" in whole.columns else whole
        assert read_published(all_depots, name).equals(own)
    for then in (None, datetime(2200, 1, 1, tzinfo=UTC)):
        whole, seen = (read_evidence(each, known_at=then) for each in (filled, all_depots))
        assert seen.snapshots.equals(whole.snapshots.filter(pl.col("vehicle_id") != "x1"))
        assert seen.faults.equals(whole.faults)
        assert seen.work.equals(whole.work)


def test_nothing_of_another_depot_is_in_anything_that_can_be_read(filled):
    north = ScopedStore(filled.path, ["North"])
    assert read_published(north, "vehicle_state")["vehicle_id"].to_list() == ["n2", "n1"]  # in their order
    assert read_published(north, "recurring_issue")["issue_id"].to_list() == ["b", "c"]
    assert fleet_table(north, "vehicles")["vehicle_id"].to_list() == ["n1", "n2"]
    assert fleet_table(north, "bays")["depot"].to_list() == ["North"]
    assert set(fleet_table(north, "notes")["text"]) == {"all", "ours"}
    assert fleet_table(north, "faults").is_empty()
    assert set(correction_of_fleet(north, "ltft_b1_idle")["vehicle_id"]) == {"n1", "n2"}
    assert quarantined(north).is_empty()
    evidence = read_evidence(north)
    assert set(evidence.snapshots["vehicle_id"]) == {"n1", "n2"}
    assert read_evidence(north, vehicle_ids=["s1"]).snapshots.is_empty()


@pytest.mark.parametrize("sql", [
    "SELECT * FROM vehicle_state", "SELECT * FROM all_states.vehicle_state", "FROM vehicles",
    "WITH v AS (FROM vehicle_state) SELECT * FROM v",
])  # fmt: skip
def test_a_query_sees_no_more(filled, sql):
    answer = ask(ScopedStore(filled.path, ["South"]), sql)
    assert answer.rows["vehicle_id"].to_list() == ["s1"]


def test_views_of_one_state_go_with_it_and_two_scopes_stand_side_by_side(filled, drop):
    north, south = (ScopedStore(filled.path, [depot]) for depot in ("North", "South"))
    assert [read_published(each, "vehicle_state").height for each in (north, south, filled)] == [2, 1, 4]
    load(filled, [drop("moved", vehicles=VEHICLES.replace("n2,alder,North", "n2,alder,South"))])
    assert [read_published(each, "vehicle_state").height for each in (north, south, filled)] == [1, 2, 4]
