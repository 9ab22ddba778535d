"""One vehicle, as the store knows it: its rows, its corrections in time, what happened to it; cached by version."""

from datetime import datetime

import polars as pl

from dashboard import published
from dashboard.views.record import events_of
from pipelines.handover import Evidence
from pipelines.store import published as stored
from pipelines.store.evidence import read_evidence


def evidence(vehicle_id: str, as_of: datetime) -> Evidence:
    """Everything known of one vehicle at as_of."""
    return published.kept(
        "evidence",
        vehicle_id,
        as_of,
        build=lambda: read_evidence(published.store(), as_of=as_of, vehicle_ids=[vehicle_id]),
    )


def times_read(vehicle_id: str, as_of: datetime) -> dict[str, int]:
    """How often each correction of a vehicle was read by then, as it came; whatever people entered changes nothing."""

    def build() -> dict[str, int]:
        rows = stored.vehicle_snapshots(published.store(), vehicle_id).filter(pl.col("read_at") <= as_of)
        codes = set(published.corrections()["code"])
        return {name: rows[name].count() for name in rows.columns if name in codes}

    return published.kept("times read", vehicle_id, as_of, build=build)


def log_values(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """What its values rest on that rows of logs made, up to then."""
    rows = published.kept(
        "log values", vehicle_id, as_of, build=lambda: stored.log_values(published.store(), vehicle_id)
    )
    return rows.filter(pl.col("read_at") <= as_of)


def states(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """What `correction_state` says of it."""
    return published.rows_of("correction_state", as_of, vehicle_id=vehicle_id)


def correction_path(vehicle_id: str, code: str, as_of: datetime) -> pl.DataFrame:
    """One correction of one vehicle at every reading, with the parts of its expectation and the test's statistic.

    Where the reasoning of an older state is no longer kept, or an older release kept less of it, the readings alone,
    without what was expected of them.
    """
    path = correction_paths(vehicle_id, as_of).filter(pl.col("correction") == code)
    snapshots = evidence(vehicle_id, as_of).snapshots
    if path.height or code not in snapshots.columns:
        return path
    readings = snapshots.select("read_at", value=pl.col(code).cast(pl.Float64))
    return pl.concat([path, readings], how="diagonal")


def withheld(vehicle_id: str, code: str, as_of: datetime) -> pl.DataFrame:
    """Readings of one correction that no figure rests on, as they came: `read_at, value`."""
    cells = published.table("held_cell", as_of)
    if not cells.height:
        return pl.DataFrame(schema={"read_at": pl.Datetime("us", "UTC"), "value": pl.Float64})
    mine = cells.filter(
        pl.col("vehicle_id") == vehicle_id,
        pl.col("column_name").is_null() | (pl.col("column_name") == code),
        pl.col("value").is_null() | pl.col("column_name").is_null(),
    )
    came = stored.vehicle_snapshots(published.store(), vehicle_id)
    if not mine.height or code not in came.columns:
        return mine.select("read_at", value=pl.lit(None, pl.Float64)).clear()
    return came.join(mine, on="read_at", how="semi").select("read_at", value=pl.col(code).cast(pl.Float64)).drop_nulls()


def correction_paths(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """The same of all its corrections, without what an older state no longer keeps."""
    return published.kept("paths", vehicle_id, as_of, build=lambda: _paths(vehicle_id, as_of))


def _paths(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    from dashboard.reasoning import KEPT, paths  # noqa: PLC0415 - compiled kernels, which one page needs

    return paths(evidence(vehicle_id, as_of), {name: published.table(name, as_of) for name in KEPT})


def events(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """What happened to one vehicle, without what people noted: work, faults, power losses, calibrations."""

    def build() -> pl.DataFrame:
        return events_of(
            work=evidence(vehicle_id, as_of).work,
            fault_events=fault_events(vehicle_id, as_of),
            readings=clock(vehicle_id, as_of),
            names=published.names(),
            until=as_of,
        )

    return published.kept("events", vehicle_id, as_of, build=build)


def clock(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """Its readings put in order: `read_at, km, calibration, module, power_lost`, by read_at."""
    return _of_vehicle("reading_clock", vehicle_id, as_of, READING_CLOCK)


def fault_events(vehicle_id: str, as_of: datetime) -> pl.DataFrame:
    """When which codes of it were set and how they ended: `code, set_at, ended`."""
    return _of_vehicle("fault_event", vehicle_id, as_of, FAULT_EVENT)


TIME = pl.Datetime("us", "UTC")
FAULT_EVENT = pl.Schema({"vehicle_id": pl.String(), "code": pl.String(), "set_at": TIME, "ended": pl.String()})
READING_CLOCK = pl.Schema(
    {
        "vehicle_id": pl.String(), "read_at": TIME, "km": pl.Float64(), "calibration": pl.String(),
        "module": pl.String(), "power_lost": pl.Boolean(),
    }
)  # fmt: skip


def _of_vehicle(name: str, vehicle_id: str, as_of: datetime, schema: pl.Schema) -> pl.DataFrame:
    rows = published.rows_of(name, as_of, vehicle_id=vehicle_id)
    return rows if rows.width else pl.DataFrame(schema=schema)
