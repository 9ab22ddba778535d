"""A light fleet for measuring the drift stage: arrays of healthy or drifting readings, with their truth.

It shares nothing with the simulator: readings are centre + offset + season + wander + memory noise + what is planted.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.handover import Evidence, History

START = datetime(2031, 1, 6, 8, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class World:
    """What a light fleet is like; lengths of the correction are in sigmas of its healthy noise."""

    vehicles: int = 60
    weeks: int = 104
    corrections: int = 20
    families: int = 1
    depots: int = 2
    memory: float = 0.5  # of the noise over a week
    tails: float = 0.0  # degrees of freedom of the innovations; 0: normal
    step: float = 0.0  # resolution, in sigmas
    season: float = 1.0  # amplitude of the year, alike for all
    depot_season: float = 0.3  # amplitude of what a depot adds
    switch: float = 0.0  # jump of all at once, twice a year
    wander: float = 0.0  # sd of the slow healthy movement of a level
    offset: float = 2.0
    days_apart: float = 7.0
    jitter: float = 1.0  # days
    missed: float = 0.0  # share of readings not taken
    irregular: bool = False  # some vehicles come after days, some after weeks
    drifting: float = 0.0  # share of vehicles with a defect of slope or step at some time
    authority: float = 25.0  # half, in sigmas
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Evidence and history as the stages take them, and what was planted: [R, C] change, by row of the readings."""

    evidence: Evidence
    history: History
    planted: np.ndarray
    level: np.ndarray  # [vehicles, C] centre and offset, in sigmas
    day: np.ndarray


def light_fleet(world: World, planted=None) -> Fleet:
    """A fleet of `world`.

    Args:
        world: What it is like.
        planted: Function of (day since the vehicle's start [R], vehicle [R], generator) giving [R, C] sigmas to add.
    """
    rng = np.random.default_rng(world.seed)
    vehicle, day = _readings(world, rng)
    m = world.corrections
    family = vehicle % world.families
    depot = (vehicle // world.families) % world.depots
    noise = _memory(rng, vehicle, day, world, m)
    change = planted(day, vehicle, rng) if planted else _defects(world, rng, vehicle, day)
    phase = rng.uniform(0, 2 * np.pi, (world.families, m))
    year = world.season * np.sin(2 * np.pi * day[:, None] / 365 + phase[family])
    own = rng.uniform(0, 2 * np.pi, (world.families, world.depots, m))
    year += world.depot_season * np.sin(2 * np.pi * day[:, None] / 365 + own[family, depot])
    winter = np.floor((day + 90) / 182).astype(int) % 2
    year += world.switch * winter[:, None] * rng.choice([-1, 1], (world.families, m))[family]
    centre = rng.normal(0, 5, (world.families, m))
    offset = world.offset * rng.normal(0, 1, (world.vehicles, m))
    x = centre[family] + offset[vehicle] + year + noise + change
    unit = np.geomspace(0.1, 10, m)
    x = x * unit
    resolution = world.step * unit
    if world.step:
        x = np.round(x / resolution) * resolution
    frame = _frames(world, vehicle, day, family, depot, x, unit)
    return replace(frame, planted=change, level=centre[np.arange(world.vehicles) % world.families] + offset)


def _readings(world, rng):
    vehicle, day = [], []
    for v in range(world.vehicles):
        apart = world.days_apart
        if world.irregular:
            apart = rng.choice([3.0, 7.0, 14.0, 21.0])
        n = int(world.weeks * 7 / apart)
        t = np.arange(n) * apart + rng.uniform(0, apart) + rng.uniform(-0.5, 0.5, n) * min(world.jitter, apart)
        if world.irregular:
            t = np.cumsum(rng.gamma(4, apart / 4, n))
            t = t[t < world.weeks * 7]
        t = np.sort(t[rng.random(len(t)) >= world.missed])
        vehicle.append(np.full(len(t), v))
        day.append(t)
    return np.concatenate(vehicle), np.concatenate(day)


def _memory(rng, vehicle, day, world, m):
    """[R, m] stationary noise of sd 1 with memory, and the slow wander."""
    shape = (len(day), m)
    draw = (
        (lambda: rng.standard_t(world.tails, m) / np.sqrt(world.tails / (world.tails - 2)))
        if world.tails
        else (lambda: rng.standard_normal(m))
    )
    out = np.empty(shape)
    days = -7 / np.log(world.memory) if world.memory > 0 else 0.01
    slow_days = 300.0
    for r in range(len(day)):
        if r == 0 or vehicle[r] != vehicle[r - 1]:
            fast, slow = draw(), rng.standard_normal(m) * world.wander
        else:
            dt = day[r] - day[r - 1]
            rho, slow_rho = np.exp(-dt / days), np.exp(-dt / slow_days)
            fast = rho * fast + np.sqrt(1 - rho**2) * draw()
            slow = slow_rho * slow + np.sqrt(1 - slow_rho**2) * world.wander * rng.standard_normal(m)
        out[r] = fast + slow
    return out


def _defects(world, rng, vehicle, day):
    """[R, C] sigmas: in some vehicles a few corrections ramp or step for a while, then are repaired."""
    change = np.zeros((len(day), world.corrections))
    for v in np.flatnonzero(rng.random(world.vehicles) < world.drifting):
        start = rng.uniform(60, world.weeks * 7 - 30)
        end = start + rng.uniform(60, 200)
        which = rng.choice(world.corrections, max(1, world.corrections // 8), replace=False)
        size = rng.choice([-1, 1], len(which)) * rng.uniform(0.5, 2, len(which))
        mine = (vehicle == v) & (day > start) & (day < end)
        grown = (day[mine] - start) / 30 if rng.random() < 0.7 else np.full(mine.sum(), 2.0)
        change[np.ix_(mine, which)] = grown[:, None] * size
    return change


def _frames(  # noqa: PLR0917
    world, vehicle, day, family, depot, x, unit
):
    m = world.corrections
    codes = [f"channel_{i + 1}" for i in range(m)]
    names = np.array([f"vehicle-{v:05d}" for v in range(world.vehicles)], dtype=object)
    read_at = pl.Series([START + timedelta(days=float(d)) for d in day], dtype=pl.Datetime("us", "UTC"))
    tables = {name: table.empty() for name, table in drop_tables().items()}
    keys = pl.DataFrame({"vehicle_id": names[vehicle].tolist(), "read_at": read_at})
    wide = pl.DataFrame({code: x[:, i].astype(np.float32) for i, code in enumerate(codes)})
    circumstances = _filled(
        keys.with_columns(
            odometer_km=pl.Series(day * 50.0), ignition_hours=pl.Series(day * 1.5), calibration=pl.lit("A")
        ),
        tables["snapshots"],
    )
    snapshots = pl.concat([circumstances, wide], how="horizontal")
    limit = world.authority * unit
    catalogue = pl.DataFrame(
        {
            "code": codes,
            "title": codes,
            "neutral": [0.0] * m,
            "low_limit": -limit,
            "high_limit": limit,
            "resolution": world.step * unit,
            "fault_low": ["P1000"] * m,
            "fault_high": ["P1001"] * m,
        }
    )
    catalogue = _filled(catalogue, tables["corrections"])
    order = np.arange(world.vehicles)
    vehicles = _filled(
        pl.DataFrame(
            {
                "vehicle_id": names.tolist(),
                "engine_family": [f"family-{v % world.families}" for v in order],
                "depot": [f"depot-{(v // world.families) % world.depots}" for v in order],
            }
        ),
        tables["vehicles"],
    )
    readings = keys.with_columns(
        engine_family=pl.Series([f"family-{f}" for f in family]),
        depot=pl.Series([f"depot-{d}" for d in depot]),
        duty=pl.lit(None, pl.String),
        hours=pl.Series(day * 1.5),
        hours_confidence=pl.lit(1.0),
        km=pl.Series(day * 50.0),
        calibration=pl.lit("A"),
        module=pl.lit(None, pl.String),
        power_lost=pl.lit(value=False),
        faults_known=pl.lit(value=False),
    )
    first = readings.group_by("vehicle_id", maintain_order=True).first()
    epochs = first.select(
        "vehicle_id",
        pl.lit(None, pl.String).alias("correction"),
        pl.col("read_at").alias("started_at"),
        pl.col("read_at").alias("first_read_at"),
        pl.lit("first_seen").alias("reason"),
        pl.lit(value=False).alias("recorded"),
    )
    evidence = Evidence(
        as_of=read_at.max(),
        corrections=catalogue,
        vehicles=vehicles,
        families=tables["families"],
        snapshots=snapshots,
        faults=tables["faults"],
        work=tables["work"],
        components=tables["components"],
        calibrations=tables["calibrations"],
        bays=tables["bays"],
        availability=tables["availability"],
        due=tables["due"],
        notes=tables["notes"],
    )
    history = History(readings=readings, epochs=epochs, fault_events=pl.DataFrame(), notices=pl.DataFrame())
    return Fleet(evidence=evidence, history=history, planted=np.empty(0), level=np.empty(0), day=day)


def _filled(frame, like):
    return frame.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in like.schema.items() if name not in frame.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in like.schema.items())
