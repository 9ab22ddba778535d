"""A learned forecast as rows of `term, horizon_days, value, meaning` and back, so that a new week need not learn anew.

A term is `stored PART PLACE`, the place counted through the array row by row; of a figure that belongs to a correction,
the meaning is that correction, so that a model fits a fleet that reads other corrections by now.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.errors import LeewayError
from pipelines.forecast.base_models import BaseModels
from pipelines.forecast.features import Features
from pipelines.forecast.learners import LinearHazard
from pipelines.forecast.limit_hazard import SHARPNESS, LimitHazard
from pipelines.forecast.prior import PriorHazard
from pipelines.forecast.stacked_hazard import StackedHazard
from pipelines.forecast.stacking import Stack
from pipelines.forecast.time_grid import SLIDE
from pipelines.handover import Float64s

HAZARDS = ("leeway", "few", "all", "newest")
LINEAR = ("steady", "centre", "scale", "level", "now", "ahead")
FIGURES = ("level", "doubt", "faults", "later_faults")
BY_CODE = ("directions", "risks", "newest.centre", "newest.scale", "newest.now")
BY_SIDE = ("limits.sharpness", "limits.place")
MARK = "stored"


class StoredModelError(LeewayError):
    """A stored forecast is missing or does not fit."""


def stored_terms(learned: StackedHazard, features: Features) -> list[tuple[str, int | None, float, str]]:
    """Everything that a later forecast needs of a learned one; `features` name the columns that it was learned from."""
    base_models, stacking = learned.base_models, learned.stacking
    arrays: dict[str, Float64s] = {
        f"{name}.{part}": np.asarray(getattr(getattr(base_models, name), part), dtype=np.float64)
        for name in HAZARDS
        for part in LINEAR
    }
    arrays |= {name: np.asarray(getattr(base_models, name), dtype=np.float64) for name in ("directions", "risks")}
    limits = base_models.limits
    arrays["limits"] = np.array([limits.steady, limits.pace, limits.doubt])
    arrays["limits.sharpness"], arrays["limits.place"] = limits.sharpness, limits.place
    arrays["stacking.centre"] = np.array([stacking.centre])
    arrays["stacking.line"], arrays["stacking.covariance"] = stacking.line, stacking.covariance
    prior = base_models.unlearned
    arrays["unlearned"] = np.array([prior.faults, prior.vehicle_years, prior.mean_risk, prior.ageing])
    arrays["figures"] = np.array([float(getattr(learned, name)) for name in FIGURES])
    arrays["recent"] = np.array(learned.recent)
    columns = dict.fromkeys(BY_CODE, features.codes) | dict.fromkeys(BY_SIDE, features.sides)
    return [
        (
            f"{MARK} {part} {place}",
            None,
            float(value),
            columns[part][place % len(columns[part])] if part in columns else "",
        )
        for part, array in arrays.items()
        for place, value in enumerate(array.ravel())
    ]


def restored(model: pl.DataFrame, features: Features) -> StackedHazard:
    """The learned forecast out of a published `forecast_model`.

    Args:
        model: Its rows.
        features: Today's, whose columns count; one the model never saw counts for nothing.

    Raises:
        StoredModelError: the rows hold no learned forecast.
    """
    parts = _Parts.of(model, features)
    level, doubt, faults, later_faults = parts.array["figures"]
    names = ("faults", "vehicle_years", "mean_risk", "ageing")
    unlearned = dict(zip(names, map(float, parts.array["unlearned"]), strict=True))
    low, ratio, high = parts.array["recent"][[1, 0, 2]]
    return StackedHazard(
        base_models=BaseModels(
            directions=parts.by_code("directions"),
            risks=parts.by_code("risks"),
            unlearned=PriorHazard(**unlearned),
            leeway=parts.linear("leeway"),
            few=parts.linear("few"),
            all=parts.linear("all"),
            newest=parts.linear("newest"),
            limits=parts.limits(),
        ),
        stacking=Stack(
            centre=float(parts.array["stacking.centre"][0]),
            line=parts.array["stacking.line"],
            covariance=parts.array["stacking.covariance"].reshape(len(parts.array["stacking.line"]), -1),
        ),
        level=float(level), doubt=float(doubt), faults=int(faults), later_faults=int(later_faults), losses={},
        recent=(float(ratio), float(low), float(high)),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """Arrays of a stored forecast by name; the corrections that their figures belong to; today's columns."""

    array: dict[str, Float64s]
    meaning: dict[str, pl.Series]
    features: Features

    @classmethod
    def of(cls, model: pl.DataFrame, features: Features) -> "_Parts":
        """Out of the rows of a `forecast_model`; see `restored`."""
        rows = (
            model.filter(pl.col("term").str.starts_with(f"{MARK} "))
            .with_columns(pl.col("term").str.split(" "))
            .select(
                "value", "meaning", part=pl.col("term").list.get(1), place=pl.col("term").list.get(2).cast(pl.Int64)
            )
            .sort("part", "place")
        )
        if rows.is_empty():
            raise StoredModelError(
                "forecast_model: holds no learned hazard. Analyse once with learning, then apply it."
            )
        by_part = {str(part): frame for (part,), frame in rows.group_by("part", maintain_order=True)}
        if missing := {*(f"{name}.now" for name in HAZARDS), "limits"} - set(by_part):
            raise StoredModelError(
                f"forecast_model: {', '.join(sorted(missing))} is not in it, an earlier release made it. "
                "Analyse once with learning, then apply it."
            )
        return cls(
            array={part: frame["value"].to_numpy() for part, frame in by_part.items()},
            meaning={part: frame["meaning"] for part, frame in by_part.items()},
            features=features,
        )

    def by_code(self, part: str, *, absent: float = 0.0) -> Float64s:
        """[n, columns] figures of today's columns; of one that the model never saw, `absent`."""
        columns = self.features.sides if part in BY_SIDE else self.features.codes
        names = self.meaning[part].unique(maintain_order=True).to_list()
        known = self.array[part].reshape(-1, len(names))
        by_column = np.full((len(known), len(columns)), absent)
        for place, code in enumerate(columns):
            if code in names:
                by_column[:, place] = known[:, names.index(code)]
        return by_column

    def limits(self) -> LimitHazard:
        """The hazard of each limit; one that the model never saw lies where it is said to."""
        steady, pace, doubt = map(float, self.array["limits"])
        sharpness, place = (
            self.by_code(part, absent=usual)[0] for part, usual in zip(BY_SIDE, (SHARPNESS, 0.0), strict=True)
        )
        return LimitHazard(steady=steady, pace=pace, doubt=doubt, sharpness=sharpness, place=place)

    def linear(self, name: str) -> LinearHazard:
        """One of `HAZARDS`."""
        steady, centre, scale, level, now, ahead = (self._figures(f"{name}.{part}") for part in LINEAR)
        return LinearHazard(
            steady=float(steady[0]),
            centre=centre,
            scale=scale,
            level=level,
            now=now.reshape(len(SLIDE), -1),
            ahead=ahead,
        )

    def _figures(self, part: str) -> Float64s:
        if part in BY_CODE:
            return self.by_code(part, absent=1.0 if part.endswith("scale") else 0.0).ravel()
        return self.array.get(part, np.empty(0))
