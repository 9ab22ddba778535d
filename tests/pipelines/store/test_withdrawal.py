"""A store that had a load, and had it withdrawn, reads like one that never had it."""

import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipelines.errors import SettingError
from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.connection import frame_of
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from pipelines.store.published import flagged, load_reports, quarantined
from pipelines.store.withdrawal import withdraw

sys.path.insert(0, str(Path(__file__).parent))

from few_drops import one_drop, write

FIRST = datetime(2031, 2, 1, tzinfo=UTC)
VEHICLES = "vehicle_id,engine_family,depot\n" + "".join(f"v{n},alder,north\n" for n in range(3))


def evidence_frames(store: Store, **when) -> dict[str, pl.DataFrame]:
    return {
        name: frame for name, frame in vars(read_evidence(store, **when)).items() if isinstance(frame, pl.DataFrame)
    }


def assert_same(found: dict[str, pl.DataFrame], wanted: dict[str, pl.DataFrame], when: object = "") -> None:
    for name, frame in wanted.items():
        assert found[name].columns == frame.columns, f"{name} {when}"
        assert_frame_equal(found[name], frame)


def origins(store: Store) -> dict[str, pl.DataFrame]:
    """Of which drop each row is that stands."""
    with store.reading() as connection:
        return {
            table: frame_of(
                connection,
                f"SELECT {time} AS at, vehicle_id, drop_name FROM {table} JOIN loads USING (load_id) ORDER BY ALL",
            )
            for table, time in {"snapshots": "read_at", "readings": "read_at", "work": "done_at"}.items()
        }


@settings(max_examples=4, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(drops=st.lists(one_drop(), min_size=2, max_size=3), data=st.data())
def test_a_store_reads_as_if_it_never_had_what_was_withdrawn(tmp_path_factory, drops, data):
    place = tmp_path_factory.mktemp("store")
    folders = [write(place / f"drop{n}", files, n) for n, files in enumerate(drops)]
    base = write(place / "base", {"vehicles": VEHICLES, "snapshots": "vehicle_id,read_at\nv2,2031-01-05T08:00:00Z\n"})
    times = [data.draw(st.integers(1, 3 if n == 0 else 2), label=f"times of drop {n}") for n in range(len(drops))]
    turns = data.draw(
        st.permutations([n for n, count in enumerate(times) for _ in range(count)])
    )  # load, withdraw, load
    asked = data.draw(st.sets(st.integers(1, len(turns)), min_size=1, max_size=2), label="turns asked about later")
    store, never = Store(place / "store"), Store(place / "never")
    load(store, [base], loaded_at=FIRST)
    shutil.copytree(store.path, never.path)
    standing: list[int] = []
    known = {}
    for hour, number in enumerate(turns, start=1):
        at = FIRST + timedelta(hours=hour)
        if number in standing:
            withdraw(store, [folders[number].name], at=at)
            standing.remove(number)
        else:
            assert not any(file.skipped for file in load(store, [folders[number]], loaded_at=at).files)
            standing.append(number)
        if hour in asked:
            known[at] = evidence_frames(store)
    for number in standing:
        load(never, [folders[number]])
    assert_same(evidence_frames(store), evidence_frames(never))
    assert_same(origins(store), origins(never))
    assert breaches(store) == []
    for at, frames in known.items():
        assert_same(evidence_frames(store, known_at=at), frames, at)


def test_a_number_passed_to_another_engine_when_the_load_that_stays_said_so(store, tmp_path, drop):
    rowan = "vehicle_id,engine_family\nv1,rowan\n"
    load(store, [drop("base", vehicles=VEHICLES)], loaded_at=FIRST)
    shutil.copytree(store.path, tmp_path / "never")
    never = Store(tmp_path / "never")
    read, again = drop("read", snapshots=odometer((1, 1), (2, 2))), drop("again", vehicles=rowan + "\n")
    load(store, [drop("withdrawn", vehicles=rowan)])
    for each in (store, never):
        load(each, [read])
        load(each, [again])
        load(each, [drop("after", snapshots=odometer((3, 3)))])
    assert read_evidence(store).snapshots.height == 3  # rowan from the first reading on
    withdraw(store, ["withdrawn"])
    assert_same(evidence_frames(store), evidence_frames(never))
    assert read_evidence(store).snapshots.height == 1


def odometer(*readings: tuple[int, int]) -> str:
    rows = "".join(f"v1,2031-01-{day:02d}T08:00:00Z,{km}\n" for day, km in readings)
    return "vehicle_id,read_at,odometer_km\n" + rows


WHAT = ["load_id", "vehicle_id", "column_name", "reason", "detail"]


def test_flags_on_the_readings_around_follow_a_withdrawal(store, drop):
    load(store, [drop("base", vehicles=VEHICLES, snapshots=odometer(*((day, 1000 * day) for day in range(1, 20, 2))))])
    before = flagged(store).select(WHAT).sort(WHAT)
    load(store, [drop("wrong", snapshots=odometer((8, 900_000)))])
    assert {"odometer runs back"} <= set(flagged(store)["reason"])  # of the reading after the wrong one
    withdraw(store, ["wrong"])
    assert_frame_equal(flagged(store).select(WHAT).sort(WHAT), before)


def test_flags_of_a_replaced_row_come_back_when_it_stands_again(store, drop):
    readings = [(day, 1000 * day) for day in range(1, 20)]
    load(store, [drop("base", vehicles=VEHICLES, snapshots=odometer(*readings[:9], (10, 500), *readings[10:]))])
    before = flagged(store).select(WHAT).sort(WHAT)
    assert before.height
    load(store, [drop("mended", snapshots=odometer((10, 10_000)))])
    assert "odometer runs back" not in flagged(store)["reason"].to_list()
    withdraw(store, ["mended"])
    assert_frame_equal(flagged(store).select(WHAT).sort(WHAT), before)


def test_vehicles_that_no_file_names_any_more_are_flagged_again_and_left_out(store, drop):
    readings = odometer((1, 1)) + "v2,2031-01-02,\n"
    load(store, [drop("base", vehicles="vehicle_id,engine_family\nv2,alder\n", snapshots=readings)])
    never = flagged(store).select(WHAT).sort(WHAT)
    load(store, [drop("named", vehicles=VEHICLES)])
    load(store, [drop("more", snapshots=odometer((3, 3)))])
    withdraw(store, ["named"])
    assert read_evidence(store).vehicles["vehicle_id"].to_list() == ["v2"]
    unnamed = flagged(store).filter(pl.col("reason").str.contains("no row of vehicles names this vehicle"))
    assert unnamed["drop_name"].to_list() == ["more", "base"]
    assert set(never.rows()) <= set(flagged(store).select(WHAT).rows())


def test_what_a_withdrawn_load_mended_is_in_quarantine_again(store, drop):
    load(store, [drop("base", vehicles=VEHICLES, snapshots="vehicle_id,read_at\nv1,yesterday\nv1,2031-01-01\n")])
    for name, day in (("first", 2), ("second", 3)):
        load(store, [drop(name, snapshots=f"vehicle_id,read_at,quarantine_id\nv1,2031-01-0{day},1\n")])
    assert quarantined(store).is_empty()
    withdraw(store, ["second"])
    assert quarantined(store, mended=True)["mended_by"].to_list() == [3]
    withdraw(store, ["first"])
    assert quarantined(store)["quarantine_id"].to_list() == [1]
    withdraw(store, ["base"])
    assert quarantined(store, mended=True).is_empty()
    assert breaches(store) == []


def test_one_of_several_files_goes_by_its_number_and_may_be_loaded_again(store, drop):
    both = drop("base", vehicles=VEHICLES, snapshots=odometer((1, 1)))
    load(store, [both])
    number = load_reports(store).filter(pl.col("table_name") == "snapshots")["load_id"].item()
    done = withdraw(store, [str(number)])
    assert (done.gone, done.back) == (1, 0)
    assert load_reports(store).filter(pl.col("withdrawn_at").is_not_null())["file"].to_list() == ["snapshots.csv"]
    assert [file.file for file in load(store, [both]).files if not file.skipped] == ["snapshots.csv"]
    assert read_evidence(store).snapshots.height == 1


def test_a_load_that_is_not_there_or_was_withdrawn_is_one_line(store, drop):
    load(store, [drop("base", vehicles=VEHICLES)])
    version = store.version()
    for name in ("7", "other"):
        with pytest.raises(SettingError, match=rf"has no load '{name}'. See leeway store loads"):
            withdraw(store, [name])
    assert store.version() == version
    withdraw(store, ["base"])
    with pytest.raises(SettingError, match="was withdrawn before"):
        withdraw(store, ["1"])
