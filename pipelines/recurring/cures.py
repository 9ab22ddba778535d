"""Whether an update is the cure: things that happened with a calibration and with those before it, rates compared."""

import numpy as np
import polars as pl

from pipelines.handover import Bools
from pipelines.recurring.compared import Ground
from pipelines.recurring.comparing import LEAST_EVENTS, Pair, Places, pair_at
from pipelines.recurring.rates import rate_ratio, rate_ratio_limits

CONFIDENCE = 0.95  # that all intervals of one calibration hold together
CURES, WORSENS, NEITHER = "cures", "worsens", "no difference shown"
SCHEMA = pl.Schema(
    {
        "engine_family": pl.String(), "calibration": pl.String(), "kind": pl.String(), "what": pl.String(),
        "events": pl.Int64(), "events_before": pl.Int64(), "months": pl.Float64(), "months_before": pl.Float64(),
        "rate_ratio": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(), "effect": pl.String(),
    }
)  # fmt: skip


def calibration_effects(ground: Ground, register: pl.DataFrame) -> pl.DataFrame:
    """Rates of trouble with each calibration over those with the earlier ones of its family, at the same age and duty.

    Limits hold together for all things of a calibration with LEAST_EVENTS in its family (Bonferroni), so that what
    `cures` or `worsens` is not the best of many.

    Args:
        ground: Vehicle-months with what happened on them.
        register: From `calibration_register`; a family's first calibration is compared with none.

    Returns:
        SCHEMA by family, calibration and how clear it is; `rate_ratio` null: no event before.
    """
    rows: list[dict[str, object]] = []
    known = next(place for place in ground.places if place.factor == "calibration")
    for family, group in register.group_by("engine_family", maintain_order=True):
        order = group.sort("released_on", "first_read_at", nulls_last=True)["calibration"].to_list()
        mine = (ground.rows["engine_family"] == family[0]).to_numpy()
        number = {name: known.levels.index(name) for name in order if name in known.levels}
        for at, calibration in enumerate(order[1:], 1):
            if calibration in number:
                alike = mine & np.isin(known.level, [number[name] for name in order[: at + 1] if name in number])
                rows += _of_calibration(ground, alike, calibration, str(family[0]))
    return pl.DataFrame(rows, schema=SCHEMA)


def _of_calibration(ground: Ground, alike: Bools, calibration: str, family: str) -> list[dict[str, object]]:
    within: dict[tuple[int, str], Places] = {}  # shared by what could happen on the same rows
    for thing in ground.things:
        key = (id(thing.at_risk), thing.kind)
        if key not in within:
            within[key] = ground.place("calibration", thing.kind).within(alike & thing.at_risk)
    pairs = (pair_at(thing, within[id(thing.at_risk), thing.kind], calibration) for thing in ground.things)
    told = [
        pair for pair in pairs if pair and pair.events >= LEAST_EVENTS and pair.comparison.informative().events.sum()
    ]
    confidence = 1 - (1 - CONFIDENCE) / max(len(told), 1)
    rows = [_row(pair, calibration, family, confidence) for pair in told]
    clear = {id(row): -abs(np.log(max(float(str(row["rate_ratio"] or 1e-9)), 1e-9))) for row in rows}
    return sorted(rows, key=lambda row: (row["effect"] == NEITHER, clear[id(row)]))


def _row(pair: Pair, calibration: str, family: str, confidence: float) -> dict[str, object]:
    ratio = rate_ratio(pair.comparison)
    low, high = rate_ratio_limits(pair.comparison, confidence=confidence)
    return {
        "engine_family": family,
        "calibration": calibration,
        "kind": pair.kind,
        "what": pair.what,
        "events": pair.exposed_events,
        "events_before": pair.events - pair.exposed_events,
        "months": pair.exposed_months,
        "months_before": pair.months - pair.exposed_months,
        "rate_ratio": ratio if np.isfinite(ratio) else None,
        "low": low,
        "high": high if np.isfinite(high) else None,
        "effect": CURES if high < 1 else WORSENS if low > 1 else NEITHER,
    }
