"""A learned forecast as rows of `term, horizon_days, value, meaning` and back, so that a new week need not learn anew.

A term is `stored PART PLACE`, the place counted through the array row by row; of a direction, the meaning is the
correction that the place belongs to, so that a model fits a fleet that reads other corrections by now.
"""

import numpy as np
import polars as pl

from pipelines.errors import LeewayError
from pipelines.forecast.base_models import BaseModels
from pipelines.forecast.failure_direction import FOLDS
from pipelines.forecast.learners import LinearHazard
from pipelines.forecast.prior import PriorHazard
from pipelines.forecast.stacked_hazard import StackedHazard
from pipelines.forecast.stacking import Stack
from pipelines.forecast.time_grid import SLIDE
from pipelines.handover import Float64s

LINEAR = ("steady", "centre", "scale", "level", "now", "ahead")
FIGURES = ("level", "doubt", "faults", "later_faults")
BY_CODE = ("directions", "risks")
MARK = "stored"


class StoredModelError(LeewayError):
    """A stored forecast is missing or does not fit."""


def stored_terms(learned: StackedHazard, codes: tuple[str, ...]) -> list[tuple[str, int | None, float, str]]:
    """Everything that a later forecast needs of a learned one; `codes` names the columns of its directions."""
    base_models, stacking = learned.base_models, learned.stacking
    arrays: dict[str, Float64s] = {
        f"{name}.{part}": np.asarray(getattr(getattr(base_models, name), part), dtype=np.float64)
        for name in ("leeway", "few", "all")
        for part in LINEAR
    }
    arrays["stacking.centre"] = np.array([stacking.centre])
    arrays["stacking.line"], arrays["stacking.covariance"] = stacking.line, stacking.covariance
    prior = base_models.unlearned
    arrays["unlearned"] = np.array([prior.faults, prior.vehicle_years, prior.mean_risk, prior.ageing])
    arrays["figures"] = np.array([float(getattr(learned, name)) for name in FIGURES])
    arrays["recent"] = np.array(learned.recent)
    terms: list[tuple[str, int | None, float, str]] = [
        (f"{MARK} {part} {place}", None, float(value), "")
        for part, array in arrays.items()
        for place, value in enumerate(array.ravel())
    ]
    return terms + [
        (f"{MARK} {name} {place}", None, float(value), codes[place % len(codes)])
        for name in BY_CODE
        for place, value in enumerate(getattr(base_models, name).ravel())
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

    def linear(name: str) -> LinearHazard:
        steady, centre, scale, level, now, ahead = (array.get(f"{name}.{part}", np.empty(0)) for part in LINEAR)
        return LinearHazard(
            steady=float(steady[0]),
            centre=centre,
            scale=scale,
            level=level,
            now=now.reshape(len(SLIDE), -1),
            ahead=ahead,
        )

    def by_code(name: str) -> Float64s:
        known = array[name].reshape(FOLDS, -1)
        names = found[name]["meaning"].to_list()[: known.shape[1]]
        by_column = np.zeros((FOLDS, len(codes)))
        for place, code in enumerate(codes):
            if code in names:
                by_column[:, place] = known[:, names.index(code)]
        return by_column

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
        ),
        stacking=Stack(
            centre=float(array["stacking.centre"][0]),
            line=array["stacking.line"],
            covariance=array["stacking.covariance"].reshape(len(array["stacking.line"]), -1),
        ),
        level=float(level), doubt=float(doubt), faults=int(faults), later_faults=int(later_faults), losses={},
        recent=(float(ratio), float(low), float(high)),
    )  # fmt: skip
