from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import StoreError
from pipelines.intake.load import load
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store


def at(day: int, month: int = 1) -> datetime:
    return datetime(2031, month, day, 12, tzinfo=UTC)


def test_evidence_holds_every_table_with_its_contract_columns_sorted_by_key(store, small_drop):
    load(store, [small_drop])
    evidence = read_evidence(store)
    for name, table in drop_tables().items():
        if name not in ("readings", "corrections", "components", "snapshots"):
            assert getattr(evidence, name).schema == table.schema
    contract = drop_tables()["snapshots"].schema
    assert evidence.snapshots.schema == pl.Schema({**contract, "ltft_b1_idle": pl.Float32()})
    assert evidence.snapshots["vehicle_id"].to_list() == ["v1", "v1", "v2"]
    assert evidence.as_of == datetime(2031, 1, 13, 8, tzinfo=UTC)


def test_nothing_later_than_as_of_is_seen(store, drop):
    load(store, [drop(
        vehicles="vehicle_id,engine_family,retired_on\nv1,alder,2031-02-01\nv2,alder,2031-01-02\n",
        snapshots="vehicle_id,read_at\nv1,2031-01-06T08:00:00Z\nv1,2031-01-20T08:00:00Z\n",
        faults="vehicle_id,read_at,code,confirmed\nv1,2031-01-20T08:00:00Z,P0171,yes\n",
        work="vehicle_id,done_at,kind,component\nv1,2031-01-21,repair,maf\n",
        calibrations="engine_family,calibration,released_on\nalder,A2,2031-03-01\n",
        notes="at,about,text\n2031-02-02,fleet,new oil\n",
    )])  # fmt: skip
    evidence = read_evidence(store, as_of=at(10))
    assert evidence.snapshots.height == 1
    assert evidence.faults.is_empty()
    assert evidence.work.is_empty()
    assert evidence.notes.is_empty()
    assert evidence.calibrations["released_on"].to_list() == [None]
    assert [str(day) for day in evidence.vehicles["retired_on"]] == ["None", "2031-01-02"]


def test_what_was_known_on_a_day_can_be_asked_again_after_rows_were_replaced(store, drop):
    load(store, [drop(vehicles="vehicle_id,engine_family\nv1,alder\n")], loaded_at=at(1))
    first = "vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1\n"
    load(store, [drop("a", snapshots=first)], loaded_at=at(7))
    load(store, [drop("b", snapshots=first.replace(",1\n", ",2\n"))], loaded_at=at(9))
    load(store, [drop("c", snapshots=first.replace(",1\n", ",3\n"))], loaded_at=at(11))
    known = {day: read_evidence(store, as_of=at(20), known_at=at(day)).snapshots for day in (6, 7, 8, 9, 10, 11, 12)}
    assert known[6].is_empty()
    values = {day: frame["ltft_b1_idle"].to_list() for day, frame in known.items() if day > 6}
    assert values == {7: [1], 8: [1], 9: [2], 10: [2], 11: [3], 12: [3]}


def test_a_vehicle_that_no_file_names_yet_stays_out_until_one_does(store, small_drop, drop):
    load(store, [drop("early", snapshots="vehicle_id,read_at\nv9,2031-01-06T08:00:00Z\n"), small_drop])
    assert "v9" not in read_evidence(store).snapshots["vehicle_id"].to_list()
    load(store, [drop("late", vehicles="vehicle_id,engine_family\nv9,alder\n")])
    assert "v9" in read_evidence(store).snapshots["vehicle_id"].to_list()


def test_values_no_module_can_hold_count_as_not_read(store, drop, small_drop):
    load(store, [small_drop, drop("b", snapshots="vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-20T08:00:00Z,32767\n")])
    assert read_evidence(store).snapshots.sort("read_at")["ltft_b1_idle"].to_list()[-1] is None


def test_a_store_without_readings_says_so(store, drop):
    load(store, [drop(vehicles="vehicle_id,engine_family\nv1,alder\n")])
    with pytest.raises(StoreError, match="holds no reading of a known vehicle yet"):
        read_evidence(store)


def test_a_fleets_own_catalogue_and_components_take_the_place_of_built_in_rows(store, small_drop, drop):
    own = drop(
        "own",
        corrections="code,title,low_limit,high_limit\nltft_b1_idle,Own,-10,10\nboost,Boost,0,2\n",
        components="component,labour_hours\nmaf,9\n",
    )
    load(store, [small_drop, own])
    evidence = read_evidence(store)
    assert dict(evidence.corrections.select("code", "title").iter_rows())["ltft_b1_idle"] == "Own"
    assert "boost" in evidence.corrections["code"].to_list()
    assert dict(evidence.components.select("component", "labour_hours").iter_rows())["maf"] == 9


LONG = "vehicle_id,read_at,correction,value\n"
PARTS = {
    "vehicles": "vehicle_id,engine_family,depot\nv1,alder,north\nv2,alder,south\n",
    "corrections": "code,title,low_limit,high_limit\nboost,Boost,0,2\n",
    "snapshots": "vehicle_id,read_at,boost,ltft_b1_idle\nv1,2031-01-06T08:00:00Z,1.1,2\nv2,2031-01-07T08:00:00Z,,3\n",
    "snapshots-b": "vehicle_id;read_at;odometer_km\nv1;2031-01-13T08:00:00Z;12,5\n",
    "readings": LONG + "v1,2031-01-06T08:00:00Z,iac_drive,40\nv3,2031-01-08T08:00:00Z,boost,1\n",
    "readings-b": LONG + "v1,2031-01-06T08:00:00Z,iac_ac,41\nv1,2031-01-14T08:00:00Z,boost,1.5\n",
    "faults": "vehicle_id,read_at,code,ff_engine_load\nv1,2031-01-13T08:00:00Z,P0171,55.5\n",
    "work": "vehicle_id,done_at,kind,component\nv1,2031-01-10,reset,\nv1,2031-01-10,repair,maf\n",
}


def everything(store: Store) -> list[pl.DataFrame]:
    evidence = read_evidence(store)
    return [evidence.snapshots, evidence.faults, evidence.work, evidence.vehicles, evidence.corrections]


@pytest.fixture(scope="module")
def loaded_at_once(tmp_path_factory) -> list[pl.DataFrame]:
    folder = tmp_path_factory.mktemp("once")
    for name, text in PARTS.items():
        (folder / f"{name}.csv").write_text(text)
    store = Store(folder / "store")
    load(store, [folder])
    return everything(store)


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(sorted(PARTS)), again=st.sampled_from(sorted(PARTS)))
def test_the_order_of_drops_and_repeats_do_not_change_the_result(order, again, loaded_at_once, tmp_path_factory):
    folder = tmp_path_factory.mktemp("order")
    store = Store(folder / "store")
    for number, name in enumerate([*order, again]):
        (folder / str(number)).mkdir()
        ending = "\n" if number == len(order) else ""  # the repeat is another file with the same rows
        (folder / str(number) / f"{name}.csv").write_text(PARTS[name] + ending)
        load(store, [folder / str(number)])
    for one, other in zip(everything(store), loaded_at_once, strict=True):
        assert_frame_equal(one, other)
