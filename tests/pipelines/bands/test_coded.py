"""Where codes stand: from the reading that found one until a reading of the memory no longer does (0.3 s)."""

from datetime import UTC, datetime, timedelta

import polars as pl

from pipelines.bands.coded import coded_rows
from pipelines.history.fault_events import SCHEMA

DAY = datetime(2031, 1, 1, tzinfo=UTC)
CATALOGUE = pl.DataFrame(
    {
        "code": ["trim_a", "trim_b", "idle"],
        "component": ["fuel|air", "fuel", None],
        "fault_high": ["P0171|P2187", None, "P0507"],
        "fault_low": ["P0172", None, None],
    }
)


def rows(known):
    days = [DAY + timedelta(days=7 * k) for k in range(len(known))]
    return pl.DataFrame(
        {"vehicle_id": ["A"] * len(days) + ["B"] * len(days), "read_at": days * 2, "faults_known": known * 2}
    ).with_columns(pl.col("read_at").cast(pl.Datetime("us", "UTC")))


def event(code, found, ended):
    at = [DAY + timedelta(days=found), None if ended is None else DAY + timedelta(days=ended)]
    return pl.DataFrame(
        {"vehicle_id": ["B"], "code": [code], "found_at": at[:1], "ended_at": at[1:]},
        schema={name: SCHEMA[name] for name in ("vehicle_id", "code", "found_at", "ended_at")},
    )


def spans(*events, known=(True,) * 5):
    found = coded_rows(rows(list(known)), CATALOGUE, pl.concat(events))
    return {code: part.tolist() for code, part in found.items()}


def test_a_code_speaks_of_the_corrections_that_name_it_and_of_their_component():
    assert spans(event("P0171-00", 7, None)) == {"trim_a": [[6, 10]], "trim_b": [[6, 10]]}
    assert spans(event("P0507", 0, None)) == {"idle": [[5, 10]]}
    assert spans(event("P0420", 0, None)) == {}


def test_it_stands_until_a_reading_of_the_memory_says_otherwise():
    assert spans(event("P0507", 7, 10)) == {"idle": [[6, 7]]}
    assert spans(event("P0507", 7, 10), known=(True, True, False, True, True)) == {"idle": [[6, 8]]}


def test_no_events_or_readings_are_no_codes():
    none = event("P0507", 0, None).clear()
    assert coded_rows(rows([True]), CATALOGUE, none) == {}
    assert coded_rows(rows([True]).clear(), CATALOGUE, event("P0507", 0, None)) == {}
