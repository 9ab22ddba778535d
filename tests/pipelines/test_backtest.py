from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner

from pipelines.backtest import backtest
from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.command import backtest as backtest_command
from pipelines.errors import SettingError
from pipelines.handover import Evidence
from pipelines.intake.load import load
from pipelines.settings import Settings
from pipelines.store.folder import Store

START = datetime(2031, 1, 6, 8, tzinfo=UTC)
VEHICLES, WEEKS = 24, 42


def everything() -> dict[str, pl.DataFrame]:
    """Weekly readings of three corrections; every third vehicle's first one climbs to its limit and sets a code."""
    rng = np.random.default_rng(3)
    tables = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
    ids = [f"v{v:02d}" for v in range(VEHICLES)]
    rows, faults, work = [], [], []
    for v, vehicle in enumerate(ids):
        height, onset = 0.0, 16 + v % 7
        for week in range(WEEKS):
            read_at = START + timedelta(days=7 * week, hours=v % 5)
            height = (week - onset) * 1.6 if v % 3 == 0 and onset < week else 0.0
            trim = np.clip(height + rng.normal(0, 0.4), -25, 25)
            rows.append((vehicle, read_at, 12.0 * week + 5, 300.0 * week, True, trim, *rng.normal(0, 0.4, 2)))
            if height > 25:
                faults.append((vehicle, read_at, "P0171", True, True))
                work.append((vehicle, read_at + timedelta(days=1), "replacement", "fuel_system"))
                onset = 10_000
    snapshots = pl.DataFrame(
        rows,
        schema=["vehicle_id", "read_at", "ignition_hours", "odometer_km", "faults_read", "trim_a", "trim_b", "idle"],
        orient="row",
    ).with_columns(
        pl.col("read_at").cast(pl.Datetime("us", "UTC")), pl.col("trim_a", "trim_b", "idle").cast(pl.Float32)
    )
    catalogue = pl.DataFrame(
        {
            "code": ["idle", "trim_a", "trim_b"], "title": ["Idle", "Trim A", "Trim B"],
            "group": ["air", "fuel", "fuel"],
            "unit": "%", "neutral": 0.0, "low_limit": -25.0, "high_limit": 25.0, "resolution": 0.0,
            "fault_high": ["P0507", "P0171", "P0174"], "fault_low": ["P0506", "P0172", "P0175"], "learn_hours": 2.0,
        }
    )  # fmt: skip
    time = pl.col("read_at").cast(pl.Datetime("us", "UTC"))
    found = pl.DataFrame(faults, schema=["vehicle_id", "read_at", "code", "confirmed", "present"], orient="row")
    done = pl.DataFrame(work, schema=["vehicle_id", "done_at", "kind", "component"], orient="row")
    tables["snapshots"] = pl.concat([tables["snapshots"], snapshots], how="diagonal")
    tables["corrections"] = pl.concat([tables["corrections"], catalogue], how="diagonal_relaxed")
    tables["faults"] = pl.concat([tables["faults"], found.with_columns(time)], how="diagonal")
    tables["work"] = pl.concat(
        [tables["work"], done.with_columns(pl.col("done_at").cast(pl.Datetime("us", "UTC")))], how="diagonal"
    )
    vehicles = pl.DataFrame({"vehicle_id": ids, "engine_family": "alder", "depot": "millrace"})
    tables["vehicles"] = pl.concat([tables["vehicles"], vehicles], how="diagonal")
    return {name: frame.sort(drop_tables()[name].key) for name, frame in tables.items()}


def evidence_at(date: datetime) -> Evidence:
    tables = everything()
    known = {
        "snapshots": tables["snapshots"].filter(pl.col("read_at") <= date),
        "faults": tables["faults"].filter(pl.col("read_at") <= date),
        "work": tables["work"].filter(pl.col("done_at") <= date),
    }
    return Evidence(as_of=date, **{**tables, **known})


@pytest.fixture(scope="module")
def checked():
    asked = []

    def at(date):
        asked.append(date)
        return evidence_at(date)

    dates = [START + timedelta(days=7 * week, hours=20) for week in (30, 33)]
    later = evidence_at(START + timedelta(days=7 * WEEKS))
    return backtest(at, later, dates=dates, settings=Settings(seed=2)), asked, dates


def test_each_date_is_analysed_from_what_was_known_then(checked):
    tables, asked, dates = checked
    assert asked == dates
    assert sorted(tables["forecast_past"]["forecast_at"].unique()) == dates


def test_the_check_has_the_contracts_columns_and_one_row_a_horizon_and_measure(checked):
    check, table = checked[0]["forecast_check"], published_tables()["forecast_check"]
    assert check.schema == table.schema
    assert check.select(table.key).is_unique().all()
    assert set(check["horizon_days"]) == {7, 30, 90}
    inside = check.filter(pl.col("low").is_not_null(), pl.col("measure") == "brier")
    assert inside.select((pl.col("low") <= pl.col("value")) & (pl.col("value") <= pl.col("high"))).to_series().all()


def test_forecasts_of_straying_vehicles_rank_their_faults_first(checked):
    auc = checked[0]["forecast_check"].filter(pl.col("measure") == "auc", pl.col("horizon_days") == 30)
    assert auc["value"].item() > 0.9


def test_only_rows_whose_outcome_can_be_known_are_scored(checked):
    past = checked[0]["forecast_past"]
    assert (past.filter(~pl.col("known"))["weight"] == 0).all()
    assert not past.filter(~pl.col("known"))["fault"].any()
    assert (past.filter("fault")["lead_days"] <= past.filter("fault")["horizon_days"]).all()


def test_the_curve_and_the_watch_count_every_scored_row(checked):
    tables = checked[0]
    known = tables["forecast_past"].filter("known").height
    assert tables["forecast_watch"]["rows"].sum() == known
    assert (
        tables["forecast_curve"]
        .select((pl.col("low") <= pl.col("observed")) & (pl.col("observed") <= pl.col("high")))
        .to_series()
        .all()
    )


def test_dates_after_the_newest_reading_are_refused_in_one_line():
    later = evidence_at(START + timedelta(days=70))
    with pytest.raises(SettingError, match=r"backtest: no date before the newest reading at 2031-03-17"):
        backtest(evidence_at, later, dates=[START + timedelta(days=400)], settings=Settings())


def test_dates_before_the_first_reading_are_refused_in_one_line():
    later = evidence_at(START + timedelta(days=70))
    with pytest.raises(SettingError, match="nothing had been read by any of the dates"):
        backtest(evidence_at, later, dates=[START - timedelta(days=40)], settings=Settings())


def test_a_store_that_was_filled_today_knew_nothing_on_a_past_date(tmp_path):
    (tmp_path / "vehicles.csv").write_text("vehicle_id,engine_family\nT-1,Alder 1.6\n", encoding="utf-8")
    rows = "".join(f"T-1,2020-{month:02d}-01T08:00:00,{month}\n" for month in range(1, 10))
    (tmp_path / "snapshots.csv").write_text(f"vehicle_id,read_at,ltft_b1_idle\n{rows}", encoding="utf-8")
    store = Store(tmp_path / "store")
    load(store, [tmp_path / "vehicles.csv", tmp_path / "snapshots.csv"])
    asked = ["--store", str(store.path), "--from", "2020-04-15", "--to", "2020-05-15", "--as-known"]
    refused = CliRunner().invoke(backtest_command, asked)
    assert refused.exit_code != 0
    assert "nothing had been read by any of the dates" in f"{refused.output}{refused.exception}"
