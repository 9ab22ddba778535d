"""What pages ask the store for is what they would find in the whole table."""

import numpy as np
import polars as pl
import pytest

from dashboard import published
from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.leeway import leeway_that_counts
from pipelines.catalogue.tables import published_tables
from pipelines.handover import Analysis
from pipelines.store.folder import Store
from pipelines.store.publish import publish

CODES = ["ltft_b1_idle", "iac_neutral", "ltft_b1_load", "knock_c1_mid", "own_without_a_code"]
STATES = ["steady", "drifting", "outside", "not_read", "not_fitted"]


@pytest.fixture
def states(tmp_path, monkeypatch, known_analysis, loaded_store) -> pl.DataFrame:
    """States of 60 vehicles by chance, published in a store that the pages then show."""
    rng = np.random.default_rng(5)
    schema = published_tables()["correction_state"].schema
    rows = [
        {"vehicle_id": f"V{number:02}", "correction": code, "state": str(rng.choice(STATES, p=[0.8, *[0.05] * 4])),
         "leeway_pct": None if rng.random() < 0.2 else 20.0 * int(rng.integers(5)),
         "alarm": bool(rng.random() < 0.02),
         "z": float(rng.normal())}
        for number in range(60)
        for code in CODES
    ]  # fmt: skip
    made = pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)
    known = known_analysis()
    tables = {name: frame for name, frame in known.tables.items() if name != "work_plan"}
    store = Store(tmp_path / "store")
    store.path.mkdir()
    for file in loaded_store.iterdir():
        (store.path / file.name).write_bytes(file.read_bytes())
    publish(store, Analysis(as_of=known.as_of, tables=tables | {"correction_state": made}))
    monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    return made


def test_rows_that_count_give_what_all_rows_give(states):
    [as_of] = published.kept_as_ofs()
    few = published.states_that_count(as_of)
    assert few.height < states.height / 2
    whole = leeway_that_counts(states, published.corrections())
    assert leeway_that_counts(few, published.corrections()).equals(whole)
    for astray in (pl.col("alarm"), pl.col("state").is_in(["drifting", "outside"])):
        assert few.filter(astray).equals(states.filter(astray))


def test_rows_of_one_vehicle_or_correction_are_those_of_the_table(states):
    [as_of] = published.kept_as_ofs()
    of_one = published.rows_of("correction_state", as_of, vehicle_id="V07")
    assert of_one.equals(states.filter(pl.col("vehicle_id") == "V07"))
    assert published.states_of_correction(CODES[0], as_of).equals(states.filter(pl.col("correction") == CODES[0]))
    read = ~pl.col("state").is_in(["not_read", "not_fitted"])
    counted = states.filter(read).group_by("correction").agg(pl.col("z").median()).sort("correction")
    assert published.astray_by_correction(as_of)["median_z"].to_list() == pytest.approx(counted["z"].to_list())
    assert published.rows_of("waiting_cost", as_of, vehicle_id="V07").is_empty()
