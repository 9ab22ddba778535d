"""A hand-made fleet whose every sentence is known, as frames and as a real store; and the demo's own store, once."""

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import streamlit as st

from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.wording import Reader
from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.handover import Analysis
from pipelines.intake.load import load
from pipelines.store.folder import Store
from pipelines.store.publish import publish, publish_tables

AS_OF = datetime(2031, 5, 20, 12, tzinfo=UTC)
WEEKS = 60


def day(year: int, month: int, number: int) -> datetime:
    return datetime(year, month, number, 12, tzinfo=UTC)


def rows(table: str, *given: Mapping[str, Any]) -> pl.DataFrame:
    """Rows of a published or drop table in the contract's form; what is not given is null."""
    schema = (published_tables() | drop_tables())[table].schema
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in given], schema=schema)


DRIFTING = {
    "vehicle_id": "V1",
    "correction": "ltft_b1_idle",
    "state": "drifting",
    "value": 9.4,
    "expected": 1.2,
    "band_low": -2.0,
    "band_high": 4.4,
    "deviation": 8.1,
    "z": 6.5,
    "alarm": True,
    "alarm_at": day(2031, 4, 25),
    "onset_at": day(2031, 3, 12),
    "onset_low": day(2031, 3, 5),
    "onset_high": day(2031, 3, 20),
    "rate_per_30d": 0.9,
    "rate_per_1000km": 0.3,
    "leeway_pct": 38.0,
    "limit_at_p10": day(2031, 6, 3),
    "limit_at_p50": day(2031, 6, 10),
    "limit_at_p90": day(2031, 6, 19),
}
OUTSIDE = DRIFTING | {
    "vehicle_id": "V2",
    "correction": "iac_neutral",
    "state": "outside",
    "deviation": -6.0,
    "z": -4.0,
    "value": 25.0,
    "expected": 31.0,
    "band_low": 28.0,
    "band_high": 34.0,
    "rate_per_30d": 0.0,
    "leeway_pct": 61.0,
    "limit_at_p10": None,
    "limit_at_p50": None,
    "limit_at_p90": None,
}
STEADY = {
    "state": "steady",
    "value": 1.0,
    "expected": 1.1,
    "band_low": -2.0,
    "band_high": 4.2,
    "deviation": -0.1,
    "z": -0.1,
    "alarm": False,
    "leeway_pct": 97.0,
}


def known_tables() -> dict[str, pl.DataFrame]:
    """Published tables of four vehicles: V1 drifts, V2 stands outside, V3 is steady, V4 was hardly read."""
    steady = [
        STEADY | {"vehicle_id": f"V{n}", "correction": code}
        for n, code in ((1, "iac_neutral"), (2, "ltft_b1_idle"), (3, "ltft_b1_idle"), (3, "iac_neutral"))
    ]
    unread = {"vehicle_id": "V4", "correction": "ltft_b1_idle", "state": "not_read", "alarm": False}
    states = [
        {
            "vehicle_id": "V1",
            "state": "drifting",
            "urgency": "this_week",
            "leeway_pct": 38.0,
            "leading_correction": "ltft_b1_idle",
            "outlier_score": 0.995,
            "is_outlier": True,
            "open_faults": 1,
        },
        {
            "vehicle_id": "V2",
            "state": "outside",
            "urgency": "plan",
            "leeway_pct": 61.0,
            "leading_correction": "iac_neutral",
            "outlier_score": 0.7,
            "is_outlier": False,
            "open_faults": 0,
        },
        {
            "vehicle_id": "V3",
            "state": "steady",
            "urgency": "none",
            "leeway_pct": 97.0,
            "leading_correction": "iac_neutral",
            "outlier_score": 0.2,
            "is_outlier": False,
            "open_faults": 0,
        },
        {"vehicle_id": "V4", "state": "not_read", "urgency": "unknown"},
    ]
    read = {"last_read_at": day(2031, 5, 18), "days_since_read": 2.0}
    chances = {"V1": (0.12, 0.41, 0.8), "V2": (0.01, 0.05, 0.12), "V3": (0.002, 0.01, 0.03)}
    return {
        "correction_state": rows("correction_state", DRIFTING, OUTSIDE, *steady, unread),
        "vehicle_state": rows("vehicle_state", *(state | read for state in states[:3]), states[3]),
        "outlier_reason": rows(
            "outlier_reason",
            {"vehicle_id": "V1", "correction": "ltft_b1_idle", "share": 0.9},
            {"vehicle_id": "V1", "correction": "iac_neutral", "share": 0.1},
        ),
        "fault_forecast": rows(
            "fault_forecast",
            *(
                {
                    "vehicle_id": vehicle,
                    "horizon_days": days,
                    "probability": chance,
                    "low": chance / 2,
                    "high": min(1.0, chance * 1.5),
                    "likely_code": "P0171" if vehicle == "V1" else None,
                    "basis": "First passage of 2 corrections.",
                }
                for vehicle, three in chances.items()
                for days, chance in zip((7, 30, 90), three, strict=True)
            ),
        ),
        "cause_ranking": rows(
            "cause_ranking",
            {
                "vehicle_id": "V1",
                "cause": "exhaust_leak_upstream",
                "bank": 1,
                "probability": 0.7,
                "rank": 1,
                "evidence": "Idle trim of bank 1 alone.",
            },
            {"vehicle_id": "V1", "cause": "unmetered_air", "probability": 0.2, "rank": 2, "evidence": ""},
            {"vehicle_id": "V1", "cause": "none_of_these", "probability": 0.1, "rank": 3, "evidence": ""},
        ),
        "recurring_issue": rows(
            "recurring_issue",
            {
                "issue_id": "a",
                "title": "Upstream exhaust leaks at Saltings",
                "factor": "depot",
                "level": "Saltings",
                "cause_or_correction": "exhaust_leak_upstream",
                "vehicles": 7,
                "rate": 1.2,
                "fleet_rate": 0.4,
                "rate_ratio": 3.0,
                "low": 1.6,
                "high": 5.1,
                "q_value": 0.004,
                "first_seen_at": day(2030, 9, 1),
            },
        ),
        "repair_outcome": rows(
            "repair_outcome",
            {
                "vehicle_id": "V2",
                "done_at": day(2031, 2, 2),
                "component": "idle_valve",
                "verdict": "not_reset",
                "checked_at": AS_OF,
                "evidence": "The old value unwinds.",
            },
            {
                "vehicle_id": "V3",
                "done_at": day(2031, 1, 7),
                "component": "fuel_pump",
                "verdict": "held",
                "checked_at": AS_OF,
                "evidence": "Level with its peers since.",
            },
        ),
        "outlier_check": pl.DataFrame(
            {
                "vehicle_id": ["V1", "V2", "V3", "V4"],
                "outlier_score": [0.995, 0.7, 0.2, None],
                "is_outlier": [True, False, False, False],
                "robust_distance": [6.1, 7.3, 0.8, None],
                "distance_score": [0.997, 0.992, 0.1, None],
            }
        ),
        "analysis_setting": pl.DataFrame(
            {"setting": ["false_alarms_per_vehicle_year", "false_outlier_share"], "value": [0.2, 0.01]}
        ),
        "fault_event": pl.DataFrame(
            {
                "vehicle_id": ["V1"],
                "code": ["P0171"],
                "set_at": [day(2031, 5, 1)],
                "ended": ["open"],
                "ended_at": [None],
            },
            schema_overrides=dict.fromkeys(("set_at", "ended_at"), pl.Datetime("us", "UTC")),
        ),
        "reading_clock": pl.DataFrame(
            {
                "vehicle_id": ["V1", "V1"],
                "read_at": [day(2031, 2, 1), day(2031, 2, 8)],
                "km": [81_000.0, 81_650.0],
                "calibration": ["A", "B"],
                "module": ["M1", "M1"],
                "power_lost": [False, True],
            },
            schema_overrides={"read_at": pl.Datetime("us", "UTC")},
        ),
    }


def known_plan() -> pl.DataFrame:
    return rows(
        "work_plan",
        {
            "vehicle_id": "V1",
            "depot": "Saltings",
            "day": date(2031, 5, 22),
            "start_at": day(2031, 5, 22),
            "bay": 1,
            "jobs": "Check exhaust upstream",
            "labour_hours": 1.5,
            "cost_now": 150.0,
            "cost_if_waiting": 420.0,
            "reason": "P0171 likely within 30 days",
        },
        {
            "vehicle_id": "V2",
            "depot": "Millrace",
            "day": date(2031, 5, 26),
            "start_at": day(2031, 5, 26),
            "bay": 2,
            "jobs": "=Reset idle valve",
            "labour_hours": 0.5,
            "cost_now": 50.0,
            "cost_if_waiting": 80.0,
            "reason": "The old value unwinds",
        },
    )


VEHICLES = pl.DataFrame(
    {
        "vehicle_id": ["V1", "V2", "V3", "V4"],
        "engine_family": ["Rowan 2.0"] * 3 + ["Alder 1.6"],
        "depot": ["Saltings", "Millrace", "Saltings", "Millrace"],
    }
)


def write_known_drop(folder: Path) -> Path:
    """The drop behind the known tables, with one row that breaks the contract."""
    folder.mkdir(parents=True, exist_ok=True)
    VEHICLES.write_csv(folder / "vehicles.csv")
    lines = [
        {
            "vehicle_id": vehicle,
            "read_at": AS_OF - timedelta(days=2, weeks=week),
            "calibration": "A",
            "odometer_km": 90000.0 - 400 * week,
            "ltft_b1_idle": level + (0.21 * max(0, 10 - week) if vehicle == "V1" else 0),
            "iac_neutral": 31.0,
        }
        for vehicle, level in (("V1", 1.2), ("V2", 0.8), ("V3", 1.0))
        for week in range(WEEKS)
    ]
    frame = pl.DataFrame(lines).with_columns(pl.col("read_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    frame.write_csv(folder / "snapshots.csv")
    with (folder / "snapshots.csv").open("a", encoding="utf-8") as more:
        more.write("V1,not a time,A,1,1,1\n")
    pl.DataFrame(
        {
            "vehicle_id": ["V2"],
            "done_at": ["2031-02-02T12:00:00Z"],
            "kind": ["replacement"],
            "component": ["idle_valve"],
        }
    ).write_csv(folder / "work.csv")
    return folder


@pytest.fixture(scope="session")
def known_drop() -> Callable[[Path], Path]:
    """Function: folder -> the same, with the known drop in it."""
    return write_known_drop


@pytest.fixture(scope="session")
def known_analysis() -> Callable[[], Analysis]:
    """Function: the published tables and the plan of the known fleet, made anew."""
    return lambda: Analysis(as_of=AS_OF, tables=known_tables() | {"work_plan": known_plan()})


@pytest.fixture
def reader() -> Reader:
    return Reader(as_of=AS_OF)


@pytest.fixture
def tables() -> dict[str, pl.DataFrame]:
    return known_tables()


@pytest.fixture
def work_plan() -> pl.DataFrame:
    return known_plan()


@pytest.fixture
def corrections() -> pl.DataFrame:
    return built_in_corrections()


@pytest.fixture(scope="session")
def loaded_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a drop in it and nothing analysed."""
    place = tmp_path_factory.mktemp("loaded")
    load(Store(place / "store"), [write_known_drop(place / "2031-05")])
    return place / "store"


@pytest.fixture(scope="session")
def known_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the known drop, tables and plan; the forecast was never checked."""
    place = tmp_path_factory.mktemp("known")
    store = Store(place / "store")
    load(store, [write_known_drop(place / "2031-05")])
    publish(store, Analysis(as_of=AS_OF, tables=known_tables()))
    publish_tables(store, {"work_plan": known_plan()}, AS_OF)
    return store.path


@pytest.fixture(autouse=True)
def _fresh_caches(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Streamlit's caches outlive one test; the store is named by each test itself."""
    st.cache_resource.clear()
    monkeypatch.delenv(STORE_VARIABLE, raising=False)
    yield
    st.cache_resource.clear()
