import hashlib
import math
import tomllib
from datetime import date, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from synthetic_fleet import ScenarioError, demo_text, open_standard, read_scenario, simulate, simulate_frames
from synthetic_fleet import corrections as c


def digest(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    out = tmp_path_factory.mktemp("fleet")
    simulate(read_scenario(), vehicles=24, weeks=20, seed=5, out=out, oracle_on=(date(2030, 4, 1),), oracle_paths=20)
    return out


def test_the_same_seed_gives_the_same_bytes_and_an_earlier_fleet_in_the_folder_goes(written, tmp_path):
    simulate(read_scenario(), vehicles=9, weeks=60, seed=1, out=tmp_path)
    simulate(
        read_scenario(), vehicles=24, weeks=20, seed=5, out=tmp_path, oracle_on=(date(2030, 4, 1),), oracle_paths=20
    )
    assert digest(tmp_path) == digest(written)


def test_another_seed_gives_another_fleet(small_fleet):
    other = simulate_frames(read_scenario(), vehicles=2, weeks=4, seed=8)
    assert not other.drops["snapshots"].equals(small_fleet.drops["snapshots"].head(other.drops["snapshots"].height))


def test_a_vehicles_stream_does_not_depend_on_how_many_others_there_are(small_fleet):
    few = simulate_frames(read_scenario(), vehicles=10, weeks=52, seed=7)
    kept = few.drops["vehicles"]["vehicle_id"].unique().to_list()
    for table in ("snapshots", "faults", "work", "vehicles"):
        ours = small_fleet.drops[table].filter(pl.col("vehicle_id").is_in(kept))
        order = [name for name in ("vehicle_id", "read_at", "done_at", "code", "kind") if name in ours.columns]
        assert_frame_equal(few.drops[table].sort(order, maintain_order=True), ours.sort(order, maintain_order=True))
    ours = small_fleet.truth["deviation"].filter(pl.col("vehicle_id").is_in(kept))
    keys = ["vehicle_id", "week_end", "correction"]
    assert_frame_equal(few.truth["deviation"].sort(keys), ours.sort(keys))


def test_drops_lie_in_one_folder_a_month_with_the_truth_beside_them(written):
    folders = sorted(path.name for path in written.iterdir())
    assert folders == ["2030-01", "2030-02", "2030-03", "2030-04", "2030-05", "truth"]
    tables = {path.name.split("-")[0].split(".")[0] for path in (written / "2030-01").iterdir()}
    assert {"vehicles", "families", "calibrations", "components", "bays", "notes", "snapshots"} <= tables
    last = {path.name.split("-")[0] for path in (written / "2030-05").iterdir()}
    assert {"availability", "due", "snapshots"} <= last


def test_every_table_of_the_truth_is_explained_beside_it(written):
    explained = (written / "truth" / "README.md").read_text(encoding="utf-8")
    for folder in (path for path in (written / "truth").iterdir() if path.is_dir()):
        assert f"| {folder.name} |" in explained


def test_every_family_reads_exactly_the_corrections_it_is_fitted_with(small_fleet):
    frame = small_fleet.drops["snapshots"].join(
        small_fleet.drops["vehicles"].select("vehicle_id", "engine_family").unique(), on="vehicle_id"
    )
    fitted = {row["engine_family"]: set(row["fitted"].split()) for row in small_fleet.drops["families"].to_dicts()}
    swapped = small_fleet.truth["dirt"].filter(pl.col("kind") == "swapped")["vehicle_id"]
    for family, equipment in fitted.items():
        rows = frame.filter(pl.col("engine_family") == family, ~pl.col("vehicle_id").is_in(swapped.implode()))
        read = {code for code in c.CODES if rows[code].null_count() < rows.height}
        assert read == {code for code, has in zip(c.CODES, c.fitted(frozenset(equipment)), strict=True) if has}
    assert c.fitted(frozenset(fitted["Hawthorn 3.0 V6"])).sum() == len(c.CODES) == 73


def test_readings_are_quantised_and_within_authority():
    clean = simulate_frames(read_scenario(changes={"dirt": {"enabled": False}}), vehicles=8, weeks=30, seed=3)
    for code in c.CODES:
        row = c.catalogue()[code]
        values = clean.drops["snapshots"][code].drop_nulls()
        steps = (values.cast(pl.Float64) - float(row["neutral"])) / float(row["resolution"])
        inside = (steps.round() - steps).abs().max()
        at_limit = values.is_in([float(row["low_limit"]), float(row["high_limit"])])
        assert (
            inside is None
            or steps.filter(~at_limit).is_empty()
            or (steps.round() - steps).filter(~at_limit).abs().max() < 1e-2
        )
        assert (
            values.is_empty()
            or float(row["low_limit"]) - 1e-4 <= values.min() <= values.max() <= float(row["high_limit"]) + 1e-4
        )


def test_healthy_trims_stay_inside_eight_percent():
    healthy = {"sudden_per_1000_years": 0, "dirt": {"enabled": False}, "fuel": {"bad_tanks_per_depot_year": 0}}
    healthy["causes"] = {cause: {"rate": 0} for cause in read_scenario()["causes"]}
    frame = simulate_frames(read_scenario(changes=healthy), vehicles=60, weeks=52, seed=2).drops["snapshots"]
    trims = frame.unpivot([code for code in c.CODES if code.startswith("ltft_b")])["value"].drop_nulls()
    assert (trims.abs() <= 8).mean() > 0.999
    assert trims.std() > 1.0


def test_fault_events_of_the_truth_are_found_by_the_next_reading_of_the_memory_unless_gone_before(small_fleet):
    faults, found = small_fleet.truth["faults"], small_fleet.drops["faults"].filter("confirmed")
    readings = small_fleet.drops["snapshots"].filter("faults_read").select("vehicle_id", "read_at").unique()
    cleared = small_fleet.drops["work"].select("vehicle_id", pl.col("done_at")).sort("done_at")
    dirty = small_fleet.truth["dirt"].filter(pl.col("kind").is_in(["swapped", "clock_wrong"]))["vehicle_id"]
    checked = 0
    for fault in faults.filter(~pl.col("vehicle_id").is_in(dirty.implode())).to_dicts():
        later = readings.filter(pl.col("vehicle_id") == fault["vehicle_id"], pl.col("read_at") > fault["set_at"])
        work = cleared.filter(pl.col("vehicle_id") == fault["vehicle_id"], pl.col("done_at") > fault["set_at"])
        first = later["read_at"].min()
        if first is None or first > fault["set_at"] + timedelta(days=9) or (work["done_at"].min() or first) < first:
            continue
        rows = found.filter(pl.col("vehicle_id") == fault["vehicle_id"], pl.col("read_at") == first)
        checked += 1
        assert fault["code"] in rows["code"].to_list(), fault
    assert checked >= 3


def test_every_defect_with_a_code_began_before_its_code_was_set(small_fleet):
    joined = small_fleet.truth["faults"].join(small_fleet.truth["defects"], on="defect", how="inner")
    assert joined.height > 5
    assert (joined["set_at"] >= joined["onset_at"].dt.truncate("1d")).all()
    assert (joined["ended_at"].is_null() | (joined["set_at"] <= joined["ended_at"])).all()


def test_the_truth_counts_deviations_by_their_size_and_by_what_acts(small_fleet):
    rows = small_fleet.truth["deviation"].with_columns(pl.col("in_sigma").abs().alias("size"))
    assert (rows.filter(pl.col("size") < 0.5)["counts_as"] == "null").all()
    assert set(rows.filter(pl.col("size") > 1.01)["counts_as"].unique()) <= {"benign", "harmful"}
    plateau = small_fleet.truth["defects"].filter(pl.col("law") == "plateau")["vehicle_id"].to_list()
    assert set(rows.filter(pl.col("counts_as") == "benign")["vehicle_id"]) <= set(plateau)


def test_the_open_standard_is_trims_per_bank_and_a_few_more(small_fleet, tmp_path):
    cut = open_standard(small_fleet.drops["snapshots"])
    assert [code for code in cut.columns if code in c.CODES] == list(c.OPEN_STANDARD)
    simulate(read_scenario(), vehicles=4, weeks=6, seed=1, out=tmp_path, file_format="csv", open_standard_only=True)
    frame = pl.read_csv(tmp_path / "2030-01" / "snapshots-2030-01-0000.csv")
    assert "ltft_b1_mid" in frame.columns
    assert "iac_neutral" not in frame.columns


@pytest.mark.parametrize("asked", [{"vehicles": 0, "weeks": 4}, {"vehicles": 4, "weeks": 0}])
def test_a_fleet_of_nothing_is_refused(asked, tmp_path):
    with pytest.raises(ScenarioError, match="nothing to simulate"):
        simulate(read_scenario(), seed=1, out=tmp_path, **asked)


def test_an_oracle_outside_the_simulation_is_refused(tmp_path):
    with pytest.raises(ScenarioError, match="outside the simulation"):
        simulate(read_scenario(), vehicles=1, weeks=4, seed=1, out=tmp_path, oracle_on=(date(2040, 1, 1),))


def test_two_defects_at_once_happen(small_fleet):
    weeks = small_fleet.truth["severity"].group_by("vehicle_id", "week_end").len()
    assert weeks["len"].max() >= 2
    assert not math.isnan(small_fleet.truth["severity"]["severity"].max())


def test_the_demos_scenario_is_toml_that_reads_back_to_itself():
    assert tomllib.loads(demo_text()) == read_scenario()
