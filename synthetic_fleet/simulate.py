"""A whole fleet: blocks of vehicles lived one after the other and written as drops, one folder a month, and truth."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_fleet import corrections as c
from synthetic_fleet.block import Calendar, Lived, calendar_of, live
from synthetic_fleet.constants import Constants, constants_of
from synthetic_fleet.dirt import soil
from synthetic_fleet.frames import at_utc, fault_frame, sheet_of, snapshot_frame, vehicle_frame, work_frame
from synthetic_fleet.futures import HORIZONS, healthy_sigma, oracle, without_work
from synthetic_fleet.scenario import Scenario, ScenarioError
from synthetic_fleet.state import Array
from synthetic_fleet.tables import fleet_tables
from synthetic_fleet.truth import truth_frames
from synthetic_fleet.writing import Writer, pieces_frame

BLOCK = 500  # vehicles lived and written at once: what memory grows with; even, so that neighbours share a block


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """A fleet in memory: drop tables and tables of the truth by name, clean or dirty as the scenario has it."""

    drops: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame] = field(default_factory=dict)


def simulate(
    scenario: Scenario,
    *,
    vehicles: int,
    weeks: int,
    seed: int,
    out: Path,
    progress: Callable[[int], None] | None = None,
    file_format: str = "parquet",
    open_standard_only: bool = False,
    oracle_on: tuple[date, ...] = (),
    oracle_paths: int = 200,
) -> None:
    """Write drops (one folder a month) and `truth/` below `out`.

    Args:
        scenario: From `read_scenario`.
        vehicles: How many.
        weeks: How long.
        seed: Same seed, same bytes.
        out: Folder; made where it is missing, and emptied of an earlier fleet.
        progress: Called with the number of vehicles done since the call before.
        file_format: Of snapshots and faults: parquet or csv.
        open_standard_only: Only what the open standard reads on every vehicle.
        oracle_on: Dates at whose end the true probability of a fault is reckoned.
        oracle_paths: Futures a vehicle and half.

    Raises:
        ScenarioError: nothing to simulate, or a date outside the simulation.
    """
    constants, calendar = _prepared(scenario, vehicles=vehicles, weeks=weeks, seed=seed)
    days = tuple((day - calendar.start.date()).days for day in oracle_on)
    for day, given in zip(days, oracle_on, strict=True):
        if not 0 <= day < calendar.days:
            raise ScenarioError(f"oracle on {given}: outside the simulation. Choose a day of its {weeks} weeks.")
    _clear(out)
    codes = c.OPEN_STANDARD if open_standard_only else c.CODES
    writer = Writer(out, constants, calendar, seed, file_format=file_format, codes=codes)
    writer.once()
    sigma = healthy_sigma(constants, calendar, seed)
    writer.truth("noise", _noise(constants, sigma), 0)
    writer.truth("exposures", _exposures(scenario), 0)
    for first in range(0, vehicles, BLOCK):
        numbers = range(first, min(first + BLOCK, vehicles))
        lived = live(constants, calendar, numbers, seed, keep_days=days, number=first // BLOCK)
        sheet = sheet_of(lived, constants, calendar, seed)
        pieces = soil(sheet, lived, constants, calendar, seed)
        pieces += writer.drops(lived, sheet)
        writer.truth("dirt", pieces_frame(pieces), lived.number)
        for name, frame in truth_frames(
            lived, constants, calendar, sigma, without_work(lived, constants, calendar)
        ).items():
            writer.truth(name, frame, lived.number)
        if days:
            writer.truth("oracle", _oracle(lived, constants, calendar, oracle_paths, seed), lived.number)
        if progress is not None:
            progress(len(numbers))


def simulate_frames(scenario: Scenario, *, vehicles: int, weeks: int, seed: int) -> Fleet:
    """A small fleet in memory, as one block: for tests and for learning what is in a fleet."""
    constants, calendar = _prepared(scenario, vehicles=vehicles, weeks=weeks, seed=seed)
    lived = live(constants, calendar, range(vehicles), seed)
    sheet = sheet_of(lived, constants, calendar, seed)
    pieces = soil(sheet, lived, constants, calendar, seed)
    sigma = healthy_sigma(constants, calendar, seed)
    drops = {
        "snapshots": snapshot_frame(sheet, c.CODES),
        "faults": fault_frame(lived, sheet, constants),
        "work": work_frame(lived),
        "vehicles": vehicle_frame(lived, constants, calendar),
    }
    drops = {name: frame.drop("delivered") for name, frame in drops.items()}
    truth = truth_frames(lived, constants, calendar, sigma, without_work(lived, constants, calendar))
    extras = {"noise": _noise(constants, sigma), "dirt": pieces_frame(pieces)}
    return Fleet(drops={**drops, **fleet_tables(constants, calendar, seed)}, truth={**truth, **extras})


def open_standard(snapshots: pl.DataFrame) -> pl.DataFrame:
    """Snapshots cut down to what the open standard (SAE J1979) reads on every vehicle: trims and a few more."""
    return snapshots.drop([code for code in c.CODES if code not in c.OPEN_STANDARD], strict=False)


def _prepared(scenario: Scenario, *, vehicles: int, weeks: int, seed: int) -> tuple[Constants, Calendar]:
    if vehicles < 1 or weeks < 1:
        raise ScenarioError(f"{vehicles} vehicles, {weeks} weeks: nothing to simulate. Give at least 1 of each.")
    return constants_of(scenario), calendar_of(scenario, weeks=weeks, seed=seed)


def _clear(out: Path) -> None:
    """Take an earlier fleet out of the folder, and nothing else."""
    if out.exists():
        for child in out.iterdir():
            if child.is_dir() and (child.name == "truth" or (child.name[:4].isdigit() and child.name[4:5] == "-")):
                shutil.rmtree(child)


def _noise(constants: Constants, sigma: Array) -> pl.DataFrame:
    families = list(constants.scenario["families"])
    rows = [
        {"engine_family": families[f], "correction": c.CODES[k], "sigma": float(sigma[f, k])}
        for f, k in np.argwhere(constants.fitted)
    ]
    return pl.DataFrame(rows)


def _exposures(scenario: Scenario) -> pl.DataFrame:
    rows = [{**entry, "detail": None} for entry in scenario["exposures"]]
    for entry in scenario["bad_batches"]:
        detail = f"fitted on days {entry['days'][0]} to {entry['days'][1]}, {entry['fails']:.0%} fail early"
        rows.append(
            {
                "what": "part_batch",
                "level": entry["batch"],
                "cause": entry["component"],
                "factor": None,
                "detail": detail,
            }
        )
    for depot, entry in scenario["depots"].items():
        detail = f"{entry['unreset_share']:.0%} of the parts are replaced without a reset"
        rows.append({"what": "depot", "level": depot, "cause": "not_reset", "factor": None, "detail": detail})
    return pl.DataFrame(rows, infer_schema_length=None)


def _oracle(lived: Lived, constants: Constants, calendar: Calendar, paths: int, seed: int) -> pl.DataFrame:
    frames = []
    for day, fleet in lived.snapshots.items():
        share = oracle(constants, calendar, lived.vehicles, fleet, day, paths=paths, seed=seed)
        serving = np.flatnonzero(np.isfinite(share[:, 0, 0]))
        frames += [
            pl.DataFrame(
                {
                    "vehicle_id": [lived.vehicles[row].ident for row in serving],
                    "as_of": at_utc(calendar.times(np.full(len(serving), day), 23 * 60 + 59)),
                    "horizon_days": np.full(len(serving), horizon),
                    "p1": share[serving, 0, k],
                    "p2": share[serving, 1, k],
                    "paths": np.full(len(serving), paths),
                }
            )
            for k, horizon in enumerate(HORIZONS)
        ]
    return pl.concat(frames).sort("vehicle_id", "as_of", "horizon_days")
