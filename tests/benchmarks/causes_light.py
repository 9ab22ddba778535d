"""Families whose vehicles have one known cause each, whose signatures are the knowledge perturbed; no simulation.

A fleet's engines differ from the knowledge by a factor and a shift an entry (the same for all its vehicles), cases by
less. What comes out are the frames that the drift stage hands over, so that thousands of cases cost seconds.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.causes.hypotheses import engine_layout, hypotheses
from pipelines.causes.knowledge import causes
from pipelines.handover import Drift, Evidence, FamilyDrift, History, Panel

AS_OF = datetime(2031, 6, 2, 12, tzinfo=UTC)
ROWS = 30
WAY_OVER_SIGMA = (20.0, 60.0)  # from the centre to the nearer limit, in healthy scatters, drawn for each correction
SEEN_SD = 0.55  # sd of a smoothed deviation, in sigmas
CLEAR = 5.0  # scatters of a single deviation from which a case is clear

ALL = "ac map_sensor o2_downstream cam_in evap"
METERED = f"{ALL} automatic air_mass_sensor cam_ex egr"
FAMILIES = {
    "six": ("1:1 2:1 3:1 4:2 5:2 6:2", f"{METERED} bank2 six_cylinder rail_pressure_sensor"),
    "four": ("1:1 2:1 3:1 4:1", METERED),
    "density": ("1:1 2:1 3:1 4:1", ALL),
}


def light_fleet(*, cases: int, perturbed: float, seed: int, ill_share: float = 0.3):
    """Drift, evidence, history and the truth (`vehicle_id, cause, bank, cylinder, variant, severity, clear`).

    Args:
        cases: Ill vehicles over all families.
        perturbed: Sd of the factor by which a fleet's shares differ from the knowledge's; a third of it by case.
        seed: Of everything.
        ill_share: Of the vehicles.
    """
    rng = np.random.default_rng(seed)
    catalogue = built_in_corrections()
    families = pl.DataFrame(
        [
            {"engine_family": name, "bank_of_cylinder": banks, "cylinders": banks.count(":"), "fitted": fitted,
             "banks": int(banks[-1])}
            for name, (banks, fitted) in FAMILIES.items()
        ]
    )  # fmt: skip
    built, truth = [], []
    for name, (_, fitted) in FAMILIES.items():
        family, rows = _family(
            name, catalogue, families, set(fitted.split()), count=cases // len(FAMILIES), perturbed=perturbed,
            ill_share=ill_share, rng=rng,
        )  # fmt: skip
        built.append(family)
        truth += rows
    drift = Drift(families=tuple(built), correction_state=published_tables()["correction_state"].empty())
    empty = {name: table.empty() for name, table in drop_tables().items() if name != "readings"}
    vehicles = pl.DataFrame(
        [{"vehicle_id": v, "engine_family": f.panel.family} for f in built for v in f.panel.vehicles]
    )
    empty["vehicles"] = pl.concat([empty["vehicles"], vehicles], how="diagonal")
    evidence = Evidence(as_of=AS_OF, **{**empty, "corrections": catalogue, "families": families})
    time = pl.Datetime("us", "UTC")
    events = {"vehicle_id": pl.String, "code": pl.String, "ended": pl.String}
    events |= dict.fromkeys(("found_at", "set_low", "set_at", "set_high", "ended_at"), time)
    history = History(
        readings=pl.DataFrame(), epochs=pl.DataFrame(), fault_events=pl.DataFrame(schema=events), notices=pl.DataFrame()
    )
    return drift, evidence, history, pl.DataFrame(truth)


def _family(name, catalogue, families, fitted, *, count, perturbed, ill_share, rng):
    read = catalogue.filter([set((needs or "").split("|")) - {""} <= fitted for needs in catalogue["needs"]])
    codes, columns = tuple(read["code"]), read.height
    neutral, low, high = (read[column].to_numpy() for column in ("neutral", "low_limit", "high_limit"))
    sigma = np.minimum(high - neutral, neutral - low) / rng.uniform(*WAY_OVER_SIGMA, columns)
    laid_out = hypotheses(codes, engine_layout(families, name, read))
    factor = 1 + perturbed * rng.normal(size=(len(causes()) * 8, columns))  # by variant and correction
    variant_of = {}
    for h in laid_out:
        variant_of.setdefault((h.cause.id, h.variant.name), len(variant_of))
    vehicles = int(count / ill_share)
    deviation = SEEN_SD * rng.normal(size=(vehicles * ROWS, columns))
    weight = np.array([h.cause.prior * h.prior for h in laid_out])
    truth = []
    for v in range(count):
        h = laid_out[rng.choice(len(laid_out), p=weight / weight.sum())]
        own = 1 + perturbed / 3 * rng.normal(size=columns)
        share = h.share * factor[variant_of[h.cause.id, h.variant.name]] * own
        share = np.where(h.share == 0, h.spread / 3 * rng.normal(size=columns), share)
        share = np.where(rng.random(columns) < h.absent, 0.0, share)
        severity = min(abs(rng.normal(0, 0.5)) + 0.05, 1.2)
        moved = severity * share * np.where(share > 0, high - neutral, neutral - low) / sigma
        deviation[v * ROWS + ROWS - 8 : (v + 1) * ROWS] += moved * np.linspace(0.3, 1.0, 8)[:, None]
        truth.append(
            {"vehicle_id": f"{name}-{v:05}", "cause": h.cause.id, "bank": h.bank, "cylinder": h.cylinder,
             "variant": h.variant.name, "severity": severity, "clear": bool(np.abs(moved).max() >= CLEAR)}
        )  # fmt: skip
    return _drift_of(name, read, sigma, deviation), truth


def _drift_of(name, read, sigma, z):
    z, vehicles = z.astype(np.float32), len(z) // ROWS
    codes = tuple(read["code"])
    neutral, low, high = (read[column].to_numpy() for column in ("neutral", "low_limit", "high_limit"))
    week = np.array([AS_OF.replace(tzinfo=None) - timedelta(days=7 * k) for k in reversed(range(ROWS))])
    count = vehicles * ROWS
    whole = np.zeros(count, dtype=np.int32)
    alarm = np.abs(z) > CLEAR
    panel = Panel(
        family=name,
        vehicles=tuple(f"{name}-{v:05}" for v in range(vehicles)),
        codes=codes,
        row_start=np.arange(vehicles + 1) * ROWS,
        read_at=np.tile(week.astype("datetime64[us]"), vehicles),
        hours=np.tile(np.arange(ROWS) * 10.0, vehicles),
        km=np.tile(np.arange(ROWS) * 400.0, vehicles),
        depot=whole,
        depots=("Millrace",),
        duty=whole,
        duties=("",),
        calibration=whole,
        calibrations=("a",),
        values=(neutral + z * sigma).astype(np.float32),
        epoch=np.zeros(z.shape, dtype=np.int32),
        low_limit=low,
        high_limit=high,
        neutral=neutral,
        resolution=read["resolution"].to_numpy(),
        can_fault_low=read["fault_low"].is_not_null().to_numpy(),
        can_fault_high=read["fault_high"].is_not_null().to_numpy(),
    )
    same = np.zeros(z.shape, dtype=np.float32)
    return FamilyDrift(
        panel=panel,
        expected=np.broadcast_to(neutral, z.shape).astype(np.float32),
        sigma=sigma.astype(np.float32),
        memory_days=np.full(len(codes), 10, dtype=np.float32),
        scale=np.ones(z.shape, dtype=np.float32),
        deviation=(z * sigma).astype(np.float32),
        z=z,
        slope=same,
        leeway=same + 100,
        evidence=same,
        threshold=np.full(len(codes), 11, dtype=np.float32),
        alarm=alarm,
        relearning=np.zeros(z.shape, dtype=bool),
    )
