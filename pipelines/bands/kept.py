"""Bands as tables and back: what `leeway` keeps beside the published tables to explain one vehicle later."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.bands.normal import SCORES, WEEK, Normal, days
from pipelines.bands.recalibration import changes
from pipelines.handover import Float64s, Int32s, Panel

MODEL = (
    "ageing", "sigma", "memory_days", "rounding", "wander", "offset_sd", "season_move", "depot_move",
    "stands_from",
)  # fmt: skip
TIME = pl.Datetime("us", "UTC")
SEASON_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "engine_family": pl.String, "depot": pl.String, "correction": pl.String, "week_from": TIME, "season": pl.Float64,
    "variance": pl.Float64,
}  # fmt: skip
MOVED_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "engine_family": pl.String, "correction": pl.String, "calibration_from": pl.String, "calibration_to": pl.String,
    "week_from": TIME, "moved": pl.Float64, "variance": pl.Float64,
}  # fmt: skip
NO_CHANGE = np.array([[-1, -1]], dtype=np.int32)


@dataclass(frozen=True, kw_only=True)
class Bands:
    """A family's bands, all that the filter runs on.

    learn_hours: [C]. threshold: [B]. start: day since 1970 from which weeks count.
    season, season_variance: [C, W, depots]. change: [R] index into changes of the vehicle's last; -1: none.
    changes: [T, 2] calibrations from and to. moved: [C, W, T, 2] and carried: [C, W], as `recalibration.run` has them.
    """

    normal: Normal
    learn_hours: Float64s
    threshold: Float64s
    start: float
    season: Float64s
    season_variance: Float64s
    change: Int32s
    changes: Int32s
    moved: Float64s
    carried: Float64s


def kept_tables(families: Sequence[tuple[Panel, Bands]]) -> dict[str, pl.DataFrame]:
    """`drift_model` (noise), `drift_centre`, `drift_season`, `drift_moved`: each from a block's or a week's start on.

    `drift_moved`: how far a change of calibration moves a level, and the variance of its error; without calibrations,
    the variance that a level gains over an epoch's end.
    """
    parts = [_family_tables(panel, bands) for panel, bands in families]
    if not parts:
        return {}
    return {name: pl.concat([part[name] for part in parts]) for name in parts[0]}


def _family_tables(panel: Panel, bands: Bands) -> dict[str, pl.DataFrame]:
    normal, codes = bands.normal, list(panel.codes)
    blocks, calibrations = len(normal.starts), len(panel.calibrations)
    starts = _times(normal.starts)
    model = pl.DataFrame(
        {
            "engine_family": [panel.family] * (len(codes) * blocks),
            "correction": np.repeat(np.array(codes, dtype=object), blocks).tolist(),
            "block_from": starts * len(codes),
            **{name: getattr(normal, name).ravel() for name in MODEL},
            "tails": normal.tails.reshape(-1, len(SCORES)).tolist(),
            "corrections": np.tile(normal.corrections, len(codes)),
            "readings_a_year": np.tile(normal.readings_a_year, len(codes)),
            "learn_hours": np.repeat(bands.learn_hours, blocks),
            "threshold": np.tile(bands.threshold, len(codes)),
        },
        schema_overrides={"block_from": TIME},
    )
    centre = pl.DataFrame(
        {
            "engine_family": [panel.family] * normal.centre.size,
            "correction": np.repeat(np.array(codes, dtype=object), blocks * calibrations).tolist(),
            "block_from": np.tile(np.repeat(np.array(starts, dtype=object), calibrations), len(codes)).tolist(),
            "calibration": list(panel.calibrations) * (len(codes) * blocks),
            "centre": normal.centre.ravel(),
        },
        schema_overrides={"block_from": TIME},
    )
    weeks, depots = bands.season.shape[1:]
    week_from = _times(bands.start + WEEK * np.arange(weeks))
    season = pl.DataFrame(
        {
            "engine_family": [panel.family] * bands.season.size,
            "depot": list(panel.depots) * (len(codes) * weeks),
            "correction": np.repeat(np.array(codes, dtype=object), weeks * depots).tolist(),
            "week_from": np.tile(np.repeat(np.array(week_from, dtype=object), depots), len(codes)).tolist(),
            "season": bands.season.ravel(),
            "variance": bands.season_variance.ravel(),
        },
        schema=SEASON_SCHEMA,
    )
    return {
        "drift_model": model,
        "drift_centre": centre,
        "drift_season": season,
        "drift_moved": _moved_table(panel, bands, week_from),
    }


def _moved_table(panel: Panel, bands: Bands, week_from: list[datetime]) -> pl.DataFrame:
    """The weeks at which anything became known anew, as `drift_moved` has them."""
    carried = np.stack([np.zeros_like(bands.carried), bands.carried], axis=-1)
    every = np.concatenate([carried[:, :, None, :], bands.moved], axis=2)  # [C, W, 1 + T, 2]
    news = np.ones(every.shape[:3], dtype=np.bool_)
    news[:, 1:] = (np.diff(every, axis=1) != 0).any(axis=-1)
    c, w, t = np.nonzero(news)
    known = np.concatenate([NO_CHANGE, bands.changes.reshape(-1, 2)])[t]
    names = np.array([*panel.calibrations, None], dtype=object)  # -1: none
    return pl.DataFrame(
        {
            "engine_family": [panel.family] * len(c),
            "correction": np.array(panel.codes, dtype=object)[c].tolist(),
            "calibration_from": names[known[:, 0]].tolist(),
            "calibration_to": names[known[:, 1]].tolist(),
            "week_from": np.array(week_from, dtype=object)[w].tolist(),
            "moved": every[c, w, t, 0],
            "variance": every[c, w, t, 1],
        },
        schema=MOVED_SCHEMA,
    )


def _times(day: npt.NDArray[np.floating]) -> list[datetime]:
    return [datetime.fromtimestamp(value * 86_400, tz=UTC) for value in day]


def kept_bands(panel: Panel, tables: Mapping[str, pl.DataFrame]) -> tuple[Panel, Bands] | None:
    """The bands of a panel of few vehicles from the kept tables, and the panel cut to what they know; None: nothing.

    Args:
        panel: Vehicles of one family.
        tables: What `kept_tables` gave when the whole family was there.
    """
    model = tables["drift_model"].filter(pl.col("engine_family") == panel.family)
    codes = [code for code in panel.codes if code in set(model["correction"])]
    if not codes:
        return None
    where = [panel.codes.index(code) for code in codes]
    order = pl.DataFrame({"correction": codes})
    model = order.join(model, on="correction", how="left", maintain_order="left_right")
    starts = model["block_from"].unique().sort()
    blocks = len(starts)
    day = days(panel)
    block_days = starts.dt.epoch("us").to_numpy() / 86_400e6
    normal = Normal(
        block=np.maximum(np.searchsorted(block_days, day, side="right") - 1, 0).astype(np.int32),
        starts=block_days,
        centre=_centres(panel, order, starts, tables["drift_centre"].filter(pl.col("engine_family") == panel.family)),
        corrections=model["corrections"].to_numpy()[:blocks],
        readings_a_year=model["readings_a_year"].to_numpy()[:blocks],
        tails=np.array(model["tails"].to_list()).reshape(len(codes), blocks, -1),
        **{name: model[name].to_numpy().reshape(len(codes), blocks) for name in MODEL},
    )
    season = tables["drift_season"].filter(pl.col("engine_family") == panel.family)
    weeks = season["week_from"].unique().sort()
    grid = order.join(pl.DataFrame({"week_from": weeks}), how="cross").join(
        pl.DataFrame({"depot": panel.depots}, schema={"depot": pl.String}), how="cross"
    ).join(season, on=["correction", "week_from", "depot"], how="left", maintain_order="left")  # fmt: skip
    shape = (len(codes), len(weeks), len(panel.depots))
    last = model.group_by("correction", maintain_order=True).last()
    change, kinds = changes(panel.calibration, panel.row_start)
    known = tables["drift_moved"].filter(pl.col("engine_family") == panel.family)
    moved = _moved(panel, order, weeks, np.concatenate([NO_CHANGE, kinds.reshape(-1, 2)]), known)
    moved[..., 1] = np.where(np.isnan(moved[..., 1]), normal.offset_sd[:, -1, None, None] ** 2, moved[..., 1])
    bands = Bands(
        normal=normal,
        learn_hours=last["learn_hours"].to_numpy(),
        threshold=model["threshold"].to_numpy()[:blocks],
        start=float(weeks.dt.epoch("us")[0]) / 86_400e6,
        season=grid["season"].fill_null(0.0).to_numpy().reshape(shape),
        season_variance=grid["variance"].fill_null(0.0).to_numpy().reshape(shape),
        change=change,
        changes=kinds,
        moved=moved[:, :, 1:],
        carried=moved[:, :, 0, 1],
    )
    return _cut(panel, codes, where), bands


def _moved(panel: Panel, order: pl.DataFrame, weeks: pl.Series, kinds: Int32s, known: pl.DataFrame) -> Float64s:
    """[C, W, T, 2] movements by these changes of calibration and their variance; 0 and NaN where nothing is known."""
    names = [*panel.calibrations, None]
    wanted = pl.DataFrame(
        {
            "kind": np.arange(len(kinds)),
            "calibration_from": [names[k] for k in kinds[:, 0]],
            "calibration_to": [names[k] for k in kinds[:, 1]],
        },
        schema_overrides={"calibration_from": pl.String, "calibration_to": pl.String},
    )
    grid = (
        order.join(pl.DataFrame({"week_from": weeks}), how="cross")
        .join(wanted, how="cross")
        .join(known.drop("engine_family"), on=["correction", "calibration_from", "calibration_to", "week_from"],
              how="left", nulls_equal=True, maintain_order="left")
        .with_columns(pl.col("moved", "variance").forward_fill().over("correction", "kind"))
        .select(pl.col("moved").fill_null(0.0), pl.col("variance").fill_null(float("nan")))
    )  # fmt: skip
    return grid.to_numpy(writable=True).reshape(order.height, len(weeks), len(kinds), 2)


def _centres(panel: Panel, order: pl.DataFrame, starts: pl.Series, known: pl.DataFrame) -> Float64s:
    """[C, B, K] centres of the panel's calibrations; of one that the tables do not know, the mean of those they do."""
    wanted = order.join(pl.DataFrame({"block_from": starts}), how="cross")
    whole = known.group_by("correction", "block_from").agg(whole=pl.col("centre").mean())
    grid = (
        wanted.join(pl.DataFrame({"calibration": panel.calibrations}, schema={"calibration": pl.String}), how="cross")
        .join(known.drop("engine_family"), on=["correction", "block_from", "calibration"], how="left",
              maintain_order="left")
        .join(whole, on=["correction", "block_from"], how="left", maintain_order="left")
    )  # fmt: skip
    centre = grid.select(pl.col("centre").fill_null(pl.col("whole"))).to_series().to_numpy()
    return centre.reshape(order.height, len(starts), len(panel.calibrations))


def _cut(panel: Panel, codes: list[str], where: list[int]) -> Panel:
    """The panel with these corrections alone."""
    by_row = {"values", "epoch"}
    by_code = {"low_limit", "high_limit", "neutral", "resolution", "can_fault_low", "can_fault_high"}
    fields = {}
    for name in Panel.__dataclass_fields__:
        value = getattr(panel, name)
        fields[name] = value[:, where] if name in by_row else value[where] if name in by_code else value
    return Panel(**{**fields, "codes": tuple(codes)})
