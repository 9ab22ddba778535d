"""What the conditions say in which a code set: freeze frames in, log likelihood ratios and words out.

The knowledge is `freeze_frames.toml`. A frame speaks of a cause that names its code, and of no other.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl

from pipelines.causes.hypotheses import Hypothesis
from pipelines.handover import Float64s

LOADS = ("idle", "part", "high")
IN_WORDS = {"idle": "at idle", "part": "at part load", "high": "at high load"}
QUANTITIES = ("load", "coolant", "speed", "road")


@dataclass(frozen=True, kw_only=True)
class Frame:
    """Under which conditions a code set; None: not told."""

    code: str
    load: str | None  # of LOADS
    cold: bool | None

    def words(self) -> str:
        """'at idle, engine cold'."""
        cold = None if self.cold is None else "engine cold" if self.cold else "engine warm"
        return ", ".join(part for part in (IN_WORDS.get(self.load or ""), cold) if part)


@cache
def known() -> dict[str, Any]:
    """The knowledge."""
    return tomllib.loads(files("pipelines.causes").joinpath("freeze_frames.toml").read_text(encoding="utf-8"))


def frames(faults: pl.DataFrame, spoken: pl.DataFrame) -> dict[str, list[Frame]]:
    """By vehicle: the newest frame of each code that speaks, where it tells anything.

    Args:
        faults: The drop table with its columns `ff_NAME`.
        spoken: `vehicle_id, code` (without failure type) of codes that speak.
    """
    columns = [name for name in faults.columns if name.startswith("ff_")]
    if not columns:
        return {}
    told = (
        faults.filter(pl.any_horizontal(pl.col(columns).is_not_null()))
        .with_columns(code=pl.col("code").str.slice(0, 5))
        .join(spoken, on=["vehicle_id", "code"], how="semi")
        .sort("vehicle_id", "code", "read_at")
        .unique(["vehicle_id", "code"], keep="last", maintain_order=True)
    )
    found: dict[str, list[Frame]] = {}
    for row in told.iter_rows(named=True):
        frame = frame_of(row)
        if frame.load is not None or frame.cold is not None:
            found.setdefault(row["vehicle_id"], []).append(frame)
    return found


def frame_of(row: Mapping[str, Any]) -> Frame:
    """The conditions of one row of `faults`."""
    values, limits = {name: value_of(row, name) for name in QUANTITIES}, known()["limits"]
    load = None
    if values["load"] is not None:
        at = values["load"]
        load = "idle" if at <= limits["idle_load"] else "high" if at >= limits["high_load"] else "part"
    if values["speed"] is not None and (values["road"] is not None or load is None):
        idles = values["speed"] <= limits["idle_speed"] and (values["road"] or 0.0) <= limits["standing"]
        load = "idle" if idles else "part" if load == "idle" else load
    cold = None if values["coolant"] is None else values["coolant"] < limits["cold"]
    return Frame(code=row["code"], load=load, cold=cold)


def value_of(row: Mapping[str, Any], quantity: str) -> float | None:
    """One quantity of a row of `faults`, under whichever name the fleet has it."""
    found = (row.get(name) for name in known()["columns"][quantity])
    return next((float(value) for value in found if value is not None), None)


def log_frame_ratio(frame: Frame, cause: str) -> float:
    """Log of the chance of such a frame with a cause over that with any, damped; 0: nothing is known of it."""
    shares, usual, weight = known()["cause"].get(cause, {}), known()["any"], known()["weight"]
    told = 0.0
    if frame.load is not None and frame.load in shares:
        told += np.log(shares[frame.load] / usual[frame.load])
    if frame.cold is not None and "cold" in shares:
        own, others = (shares["cold"], usual["cold"]) if frame.cold else (1 - shares["cold"], 1 - usual["cold"])
        told += np.log(own / others)
    return float(np.clip(weight["share"] * told, -weight["most"], weight["most"]))


def log_frame_ratios(
    vehicles: Sequence[str], found: Mapping[str, Sequence[Frame]], laid_out: Sequence[Hypothesis]
) -> Float64s:
    """[V, K] what each vehicle's frames say of each hypothesis, against none of the causes.

    Args:
        vehicles: V ids.
        found: By vehicle: frames.
        laid_out: K hypotheses.
    """
    ratios = np.zeros((len(vehicles), len(laid_out)))
    if not found:
        return ratios
    names = [frozenset(entry.code for entry in h.codes) for h in laid_out]
    for v, vehicle in enumerate(vehicles):
        for frame in found.get(vehicle, ()):
            ratios[v] += [
                log_frame_ratio(frame, h.cause.id) if frame.code in own else 0.0
                for h, own in zip(laid_out, names, strict=True)
            ]
    return ratios
