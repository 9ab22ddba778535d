"""Changes that settled as if harmless, of which the likeliest cause says otherwise: `Drift` in, `Drift` out.

The stage `drift` takes a small change that has levelled off for a new normal, before any cause is known. Where the
vehicle's likeliest cause would move that correction to that side, the change is part of the trouble and harms: the
correction is outside the band that it had before. One pass after the causes; they are not ranked again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from pipelines.causes.affected import WEAK_SHARE
from pipelines.causes.hypotheses import Hypothesis, engine_layout, hypotheses
from pipelines.causes.ranking import LIKELY, NONE
from pipelines.drift.alarm_rules import BAND_SIGMAS
from pipelines.handover import Drift, Evidence, FamilyDrift

KEY = ["vehicle_id", "correction"]


def with_causes_heard(drift: Drift, cause_ranking: pl.DataFrame, *, evidence: Evidence) -> Drift:
    """The same drift, its `correction_state` with those changes outside their band and in alarm since they came.

    What lies inside the band from before stays steady: there is nothing to see in it. Leeway and dates stay; what has
    levelled off is not expected to meet a limit.

    Args:
        drift: After the stage.
        cause_ranking: The contract's table.
        evidence: Catalogue and families.
    """
    leading = cause_ranking.filter(
        pl.col("rank") == 1, pl.col("cause") != NONE, pl.col("probability") >= LIKELY
    ).select("vehicle_id", "cause", "bank", "cylinder")
    asked = drift.settled_changes.join(leading, on="vehicle_id")
    if asked.is_empty():
        return drift
    parts = [_explained(family, asked, evidence) for family in drift.families]
    return replace(drift, correction_state=_outside(drift.correction_state, pl.concat(parts)))


def _explained(family: FamilyDrift, asked: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Those changes of one family that their vehicle's cause makes."""
    codes = family.panel.codes
    mine = asked.filter(pl.col("vehicle_id").is_in(family.panel.vehicles), pl.col("correction").is_in(codes))
    if mine.is_empty():
        return mine
    catalogue = evidence.corrections.filter(pl.col("code").is_in(codes))
    laid_out = hypotheses(codes, engine_layout(evidence.families, family.panel.family, catalogue))
    made = [_makes(laid_out, codes.index(row["correction"]), row) for row in mine.iter_rows(named=True)]
    return mine.filter(pl.Series(made, dtype=pl.Boolean))


def _makes(laid_out: Sequence[Hypothesis], correction: int, row: Mapping[str, Any]) -> bool:
    """Whether some variant of the cause at its place moves the correction to the side of the change."""
    place = row["cause"], row["bank"], row["cylinder"]
    shares = [h.share[correction] for h in laid_out if (h.cause.id, h.bank, h.cylinder) == place]
    return any(bool(abs(share) >= WEAK_SHARE and np.sign(share) == np.sign(row["size"])) for share in shares)


def _outside(states: pl.DataFrame, explained: pl.DataFrame) -> pl.DataFrame:
    """The table, with explained changes that lie beyond the band they had before as alarms."""
    from_before = pl.col("deviation") + pl.col("size")
    harms = (
        (pl.col("state") == "steady")
        & pl.col("changed_at").is_not_null()
        & (from_before.abs() > BAND_SIGMAS * pl.col("sigma")).fill_null(value=False)
    )
    expected, margin = pl.col("expected") - pl.col("size"), BAND_SIGMAS * pl.col("sigma")
    as_alarm = {
        "state": pl.lit("outside"),
        "expected": expected,
        "band_low": expected - margin,
        "band_high": expected + margin,
        "deviation": from_before,
        "z": from_before / pl.col("sigma"),
        "alarm": pl.lit(value=True),
        "alarm_at": pl.col("changed_at"),
        "onset_at": pl.col("changed_at"),
        "rate_per_30d": pl.lit(0.0),
        "changed_at": pl.lit(None),
    }
    joined = states.join(explained.select(*KEY, "size", "sigma"), on=KEY, how="left", maintain_order="left")
    return joined.with_columns(
        pl.when(harms).then(value).otherwise(pl.col(name)).alias(name) for name, value in as_alarm.items()
    ).select(states.columns)
