"""A learned forecast as rows of `term, horizon_days, value, meaning` and back, so that a new week need not learn anew.

A term is `stored PART PLACE`, the place counted through the array row by row; of a figure that belongs to a correction,
the meaning is that correction, so that a model fits a fleet that reads other corrections by now.
"""

import numpy as np
import polars as pl

from pipelines.errors import LeewayError
from pipelines.forecast.base_models import BaseModels
from pipelines.forecast.learners import LinearHazard
from pipelines.forecast.prior import PriorHazard
from pipelines.forecast.stacked_hazard import StackedHazard
from pipelines.forecast.stacking import Stack
from pipelines.forecast.time_grid import SLIDE
from pipelines.handover import Float64s

HAZARDS = ("leeway", "few", "all", "newest")
LINEAR = ("steady", "centre", "scale", "level", "now", "ahead")
FIGURES = ("level", "doubt", "faults", "later_faults")
BY_CODE = ("directions", "risks", "newest.centre", "newest.scale", "newest.now")
MARK = "stored"


class StoredModelError(LeewayError):
    """A stored forecast is missing or does not fit."""


def stored_terms(learned: StackedHazard, codes: tuple[str, ...]) -> list[tuple[str, int | None, float, str]]:
    """Everything that a later forecast needs of a learned one; `codes` names the columns of its directions."""
    base_models, stacking = learned.base_models, learned.stacking
    arrays: dict[str, Float64s] = {
        f"{name}.{part}": np.asarray(getattr(getattr(base_models, name), part), dtype=np.float64)
        for name in HAZARDS
        for part in LINEAR
    }
    arrays |= {name: np.asarray(getattr(base_models, name), dtype=np.float64) for name in ("directions", "risks")}
    arrays["stacking.centre"] = np.array([stacking.centre])
    arrays["stacking.line"], arrays["stacking.covariance"] = stacking.line, stacking.covariance
    prior = base_models.unlearned
    arrays["unlearned"] = np.array([prior.faults, prior.vehicle_years, prior.mean_risk, prior.ageing])
    arrays["figures"] = np.array([float(getattr(learned, name)) for name in FIGURES])
    arrays["recent"] = np.array(learned.recent)
    return [
        (f"{MARK} {part} {place}", None, float(value), codes[place % len(codes)] if part in BY_CODE else "")
        for part, array in arrays.items()
        for place, value in enumerate(array.ravel())
    ]


def restored(model: pl.DataFrame, codes: tuple[str, ...]) -> StackedHazard:
    """The learned forecast out of a published `forecast_model`.

    Args:
        model: Its rows.
        codes: Columns of today's deviations; one the model never saw counts for nothing.

    Raises:
        StoredModelError: the rows hold no learned forecast.
    """
    rows = (
        model.filter(pl.col("term").str.starts_with(f"{MARK} "))
        .with_columns(pl.col("term").str.split(" "))
        .select("value", "meaning", part=pl.col("term").list.get(1), place=pl.col("term").list.get(2).cast(pl.Int64))
        .sort("part", "place")
    )
    if rows.is_empty():
        raise StoredModelError("forecast_model: holds no learned hazard. Analyse once with learning, then apply it.")
    found = {str(part): frame for (part,), frame in rows.group_by("part", maintain_order=True)}
    array = {part: frame["value"].to_numpy() for part, frame in found.items()}

    if missing := {f"{name}.now" for name in HAZARDS} - set(array):
        raise StoredModelError(
            f"forecast_model: {', '.join(sorted(missing))} is not in it, an earlier release made it. "
            "Analyse once with learning, then apply it."
        )

    def by_code(part: str, *, absent: float = 0.0) -> Float64s:
        names = found[part]["meaning"].unique(maintain_order=True).to_list()
        known = array[part].reshape(-1, len(names))
        by_column = np.full((len(known), len(codes)), absent)
        for place, code in enumerate(codes):
            if code in names:
                by_column[:, place] = known[:, names.index(code)]
        return by_column

    def figures_of(part: str) -> Float64s:
        if part in BY_CODE:
            return by_code(part, absent=1.0 if part.endswith("scale") else 0.0).ravel()
        return array.get(part, np.empty(0))

    def linear(name: str) -> LinearHazard:
        steady, centre, scale, level, now, ahead = (figures_of(f"{name}.{part}") for part in LINEAR)
        return LinearHazard(
            steady=float(steady[0]),
            centre=centre,
            scale=scale,
            level=level,
            now=now.reshape(len(SLIDE), -1),
            ahead=ahead,
        )

    level, doubt, faults, later_faults = array["figures"]
    unlearned = dict(
        zip(("faults", "vehicle_years", "mean_risk", "ageing"), map(float, array["unlearned"]), strict=True)
    )
    low, ratio, high = array["recent"][[1, 0, 2]]
    return StackedHazard(
        base_models=BaseModels(
            directions=by_code("directions"),
            risks=by_code("risks"),
            unlearned=PriorHazard(**unlearned),
            leeway=linear("leeway"),
            few=linear("few"),
            all=linear("all"),
            newest=linear("newest"),
        ),
        stacking=Stack(
            centre=float(array["stacking.centre"][0]),
            line=array["stacking.line"],
            covariance=array["stacking.covariance"].reshape(len(array["stacking.line"]), -1),
        ),
        level=float(level), doubt=float(doubt), faults=int(faults), later_faults=int(later_faults), losses={},
        recent=(float(ratio), float(low), float(high)),
    )  # fmt: skip
