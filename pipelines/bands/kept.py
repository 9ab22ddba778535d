"""Bands as tables and back: what `leeway` keeps beside the published tables to explain one vehicle later."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.bands.normal import SCORES, WEEK, Normal, days
from pipelines.bands.season import WEEK_PARTS, WEEKLY
from pipelines.handover import Float64s, Panel

MODEL = (
    "ageing", "sigma", "memory_days", "rounding", "wander", "offset_sd", "season_move", "depot_move",
    "may_stand",
)  # fmt: skip
TIME = pl.Datetime("us", "UTC")


@dataclass(frozen=True, kw_only=True)
class Bands:
    """A family's bands, all that the filter runs on.

    learn_hours: [C]. threshold: [B]. start: day since 1970 from which weeks count.
    weeks: [C, W, depots + 1] of the season's `WEEKLY`; the last stands for depots that nobody is at yet.
    """

    normal: Normal
    learn_hours: Float64s
    threshold: Float64s
    start: float
    weeks: np.ndarray


def kept_tables(families: Sequence[tuple[Panel, Bands]]) -> dict[str, pl.DataFrame]:
    """`drift_model` (noise by family, correction, block), `drift_centre` (by calibration) and `drift_season`."""
    parts = [_family_tables(panel, bands) for panel, bands in families]
    if not parts:
        return {}
    return {name: pl.concat([part[name] for part in parts]) for name in parts[0]}


def _family_tables(panel: Panel, bands: Bands) -> dict[str, pl.DataFrame]:
    normal = bands.normal
    codes = pl.Series(panel.codes, dtype=pl.String)
    calibrations, depots = pl.Series(panel.calibrations), pl.Series(panel.depots)
    starts = _times(normal.starts)
    code, block = (place.ravel() for place in np.indices((len(codes), len(starts))))
    model = pl.DataFrame(
        {
            "correction": codes.gather(code),
            "block_from": starts.gather(block),
            **{name: getattr(normal, name).ravel() for name in MODEL},
            "tails": normal.tails.reshape(-1, len(SCORES)).tolist(),
            "corrections": normal.corrections[block],
            "readings_a_year": normal.readings_a_year[block],
            "learn_hours": bands.learn_hours[code],
            "threshold": bands.threshold[block],
        }
    )
    code, block, calibration = (place.ravel() for place in np.indices((len(codes), len(starts), len(calibrations))))
    centre = pl.DataFrame(
        {
            "correction": codes.gather(code),
            "block_from": starts.gather(block),
            "calibration": calibrations.gather(calibration),
            "centre": normal.centre[:, :, :-1].ravel(),
        }
    )
    weeks = bands.weeks[:, :, :-1]
    code, week, depot = (place.ravel() for place in np.indices(weeks.shape))
    season = pl.DataFrame(
        {
            "depot": depots.gather(depot),
            "correction": codes.gather(code),
            "week_from": _times(bands.start + WEEK * np.arange(weeks.shape[1])).gather(week),
            **{name: weeks[name].ravel() for name in WEEK_PARTS},
        }
    )
    family = pl.lit(panel.family).alias("engine_family")
    tables = {"drift_model": model, "drift_centre": centre, "drift_season": season}
    return {name: table.select(family, pl.all()) for name, table in tables.items()}


def _times(day: npt.NDArray[np.floating]) -> pl.Series:
    """Times of days since 1970."""
    return pl.Series(np.round(day * 86_400e6).astype(np.int64)).cast(TIME)


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
    read = np.zeros((*shape[:2], shape[2] + 1), dtype=WEEKLY)
    for name in WEEK_PARTS:
        read[name][:, :, :-1] = grid[name].fill_null(0.0).to_numpy().reshape(shape)
    last = model.group_by("correction", maintain_order=True).last()
    bands = Bands(
        normal=normal,
        learn_hours=last["learn_hours"].to_numpy(),
        threshold=model["threshold"].to_numpy()[:blocks],
        start=float(weeks.dt.epoch("us")[0]) / 86_400e6,
        weeks=read,
    )
    return _cut(panel, codes, where), bands


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
