"""Bands as tables and back: what `leeway` keeps beside the published tables to explain one vehicle later."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.bands.group_levels import groups_of
from pipelines.bands.normal import SCORES, WEEK, Normal, days
from pipelines.bands.recalibration import SHIFT, SHIFT_PARTS, changes
from pipelines.bands.scatter import widenings
from pipelines.bands.season import WEEK_PARTS, WEEKLY
from pipelines.handover import Float64s, Int32s, Panel

MODEL = (
    "ageing", "sigma", "memory_days", "rounding", "wander", "offset_sd", "depot_spread", "duty_spread",
    "season_move", "depot_move", "stands_from", "mean_scale",
)  # fmt: skip
OF_BLOCK = (
    "corrections", "readings_a_year", "vehicle_spread", "series_spread", "occasion_error", "occasion_information",
    "reading_error", "wander_followed",
)  # fmt: skip
TIME = pl.Datetime("us", "UTC")
OTHERS_TAUGHT = "drift_taught_by_others"  # the vehicles that had no share in what was learned: definition


@dataclass(frozen=True, kw_only=True)
class Bands:
    """A family's bands, all that the filter runs on.

    learn_hours: [C]. threshold: [B]. widening: [B, K] as `scatter.widenings` gives it. start: day since 1970 from
    which weeks count.
    weeks: [C, W, depots + 1] of the season's `WEEKLY`; the last stands for depots that nobody is at yet.
    groups: names of depots and duties. levels: [C, W, G] of theirs beside the family's centre.
    changes: [T, 2] calibrations from and to. shifts: [C, W, T] of the recalibration's `SHIFT`. carried: [C, W] variance
    that a level gains over an epoch's end. shared: whether the vehicles at hand are among those that all of it was
    learned from, so that each one's own share has to be taken out.
    """

    normal: Normal
    learn_hours: Float64s
    threshold: Float64s
    widening: Float64s
    start: float
    weeks: np.ndarray
    groups: tuple[str, ...]
    levels: Float64s
    changes: Int32s
    shifts: np.ndarray
    carried: Float64s
    shared: bool = True


def kept_tables(families: Sequence[tuple[Panel, Bands]]) -> dict[str, pl.DataFrame]:
    """`drift_model` (noise), `drift_centre`, `drift_season`, `drift_carried`, `drift_shift`, `drift_level`: bands.

    A row holds from its block's or its week's start on. `drift_shift` has the weeks in which a change of calibration
    showed anything anew, `drift_carried` those in which an epoch's end did, `drift_level` those in which the level of a
    depot and duty changed.
    """
    parts = [_family_tables(panel, bands) for panel, bands in families]
    if not parts:
        return {}
    return {name: pl.concat([part[name] for part in parts]) for name in parts[0]}


def _family_tables(panel: Panel, bands: Bands) -> dict[str, pl.DataFrame]:
    family = pl.lit(panel.family).alias("engine_family")
    tables = {
        "drift_model": _model_table(panel, bands),
        "drift_centre": _centre_table(panel, bands),
        "drift_season": _season_table(panel, bands),
        "drift_carried": _carried_table(panel, bands),
        "drift_shift": _shift_table(panel, bands),
        "drift_level": _level_table(panel, bands),
    }
    return {name: table.select(family, pl.all()) for name, table in tables.items()}


def _named(panel: Panel, code: np.ndarray) -> pl.Series:
    """Names of corrections by their indices."""
    return pl.Series(panel.codes, dtype=pl.String).gather(code)


def _week_from(bands: Bands, week: np.ndarray) -> pl.Series:
    """Starts of weeks by their numbers."""
    return _times(bands.start + WEEK * np.arange(bands.weeks.shape[1])).gather(week)


def _model_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    normal, starts = bands.normal, _times(bands.normal.starts)
    code, block = (place.ravel() for place in np.indices((len(panel.codes), len(starts))))
    return pl.DataFrame(
        {
            "correction": _named(panel, code),
            "block_from": starts.gather(block),
            **{name: getattr(normal, name).ravel() for name in MODEL},
            "tails": normal.tails.reshape(-1, len(SCORES)).tolist(),
            **{name: getattr(normal, name)[block] for name in OF_BLOCK},
            "learn_hours": bands.learn_hours[code],
            "threshold": bands.threshold[block],
        }
    )


def _centre_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    starts, shape = _times(bands.normal.starts), bands.normal.centre[:, :, :-1].shape
    code, block, calibration = (place.ravel() for place in np.indices(shape))
    return pl.DataFrame(
        {
            "correction": _named(panel, code),
            "block_from": starts.gather(block),
            "calibration": pl.Series(panel.calibrations).gather(calibration),
            "centre": bands.normal.centre[:, :, :-1].ravel(),
        }
    )


def _season_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    weeks = bands.weeks[:, :, :-1]
    code, week, depot = (place.ravel() for place in np.indices(weeks.shape))
    return pl.DataFrame(
        {
            "depot": pl.Series(panel.depots).gather(depot),
            "correction": _named(panel, code),
            "week_from": _week_from(bands, week),
            **{name: weeks[name].ravel() for name in WEEK_PARTS},
        }
    )


def _level_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    group_names = pl.Series(bands.groups, dtype=pl.String).str.split_exact("\n", 1).struct.unnest()
    code, week, group = np.nonzero(_news(bands.levels) & np.isfinite(bands.levels))
    return pl.DataFrame(
        {
            "correction": _named(panel, code),
            "week_from": _week_from(bands, week),
            "depot": group_names["field_0"].gather(group),
            "duty": group_names["field_1"].gather(group),
            "level": bands.levels[code, week, group],
        }
    )


def _carried_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    code, week = np.nonzero(_news(bands.carried))
    return pl.DataFrame(
        {
            "correction": _named(panel, code),
            "week_from": _week_from(bands, week),
            "carried": bands.carried[code, week],
        }
    )


def _shift_table(panel: Panel, bands: Bands) -> pl.DataFrame:
    calibrations = pl.Series(panel.calibrations)
    code, week, change = np.nonzero(_news(bands.shifts))
    return pl.DataFrame(
        {
            "correction": _named(panel, code),
            "week_from": _week_from(bands, week),
            "calibration_from": calibrations.gather(bands.changes[change, 0]),
            "calibration_to": calibrations.gather(bands.changes[change, 1]),
            **{name: bands.shifts[name][code, week, change] for name in SHIFT_PARTS},
        }
    )


def _news(by_week: np.ndarray) -> npt.NDArray[np.bool_]:
    """[C, W, ...] the first week, and those that differ from the one before."""
    news = np.ones(by_week.shape, dtype=np.bool_)
    news[:, 1:] = by_week[:, 1:] != by_week[:, :-1]
    return news


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
        tails=np.array(model["tails"].to_list()).reshape(len(codes), blocks, -1),
        correlation=np.zeros((len(codes), blocks, 0)),  # the flags that rest on it are kept
        **{name: model[name].to_numpy()[:blocks] for name in OF_BLOCK},
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
    kinds, groups = changes(panel.calibration, panel.row_start)[1], groups_of(panel)[2]
    bands = Bands(
        normal=normal,
        learn_hours=last["learn_hours"].to_numpy(),
        threshold=model["threshold"].to_numpy()[:blocks],
        widening=widenings(model["threshold"].to_numpy()[:blocks]),
        start=float(weeks.dt.epoch("us")[0]) / 86_400e6,
        weeks=read,
        groups=groups,
        levels=_levels(panel, order, weeks, groups, tables["drift_level"]),
        changes=kinds,
        shifts=_shifts(panel, order, weeks, kinds, tables["drift_shift"]),
        carried=_carried(panel, order, weeks, tables["drift_carried"]),
        shared=not _others_taught(panel, tables),
    )
    return _cut(panel, codes, where), bands


def _others_taught(panel: Panel, tables: Mapping[str, pl.DataFrame]) -> bool:
    """Whether the bands were learned of other vehicles than these."""
    others = tables.get(OTHERS_TAUGHT, pl.DataFrame())
    return "vehicle_id" in others.columns and not others.filter(pl.col("vehicle_id").is_in(panel.vehicles)).is_empty()


def _levels(
    panel: Panel, order: pl.DataFrame, weeks: pl.Series, groups: tuple[str, ...], known: pl.DataFrame
) -> Float64s:  # fmt: skip
    """[C, W, G] levels of the panel's groups, from the weeks in which they changed."""
    of_family = known.filter(pl.col("engine_family") == panel.family).with_columns(
        group=pl.col("depot") + "\n" + pl.col("duty")
    )
    grid = (
        order.join(pl.DataFrame({"week_from": weeks}), how="cross")
        .join(pl.DataFrame({"group": groups}, schema={"group": pl.String}), how="cross")
        .join(of_family, on=["correction", "week_from", "group"], how="left", maintain_order="left")
        .select(pl.col("level").forward_fill().over("correction", "group").fill_null(0.0))
    )
    return grid["level"].to_numpy().reshape(order.height, len(weeks), len(groups))


def _carried(panel: Panel, order: pl.DataFrame, weeks: pl.Series, known: pl.DataFrame) -> Float64s:
    """[C, W] the variance that a level gains, from the weeks in which it changed."""
    grid = order.join(pl.DataFrame({"week_from": weeks}), how="cross").join(
        known.filter(pl.col("engine_family") == panel.family), on=["correction", "week_from"], how="left",
        maintain_order="left",
    )  # fmt: skip
    carried = grid.select(pl.col("carried").forward_fill().over("correction")).to_series()
    return carried.to_numpy().reshape(order.height, len(weeks))


def _shifts(panel: Panel, order: pl.DataFrame, weeks: pl.Series, kinds: Int32s, known: pl.DataFrame) -> np.ndarray:
    """[C, W, T] of `SHIFT` for these changes of calibration, from the weeks in which they showed anything anew."""
    names = pl.Series(panel.calibrations, dtype=pl.String)
    wanted = pl.DataFrame(
        {"kind": np.arange(len(kinds)), "calibration_from": names[kinds[:, 0]], "calibration_to": names[kinds[:, 1]]}
    )
    grid = (
        order.join(pl.DataFrame({"week_from": weeks}), how="cross")
        .join(wanted, how="cross")
        .join(known.filter(pl.col("engine_family") == panel.family),
              on=["correction", "calibration_from", "calibration_to", "week_from"], how="left", maintain_order="left")
        .select(pl.col(SHIFT_PARTS).forward_fill().over("correction", "kind").fill_null(0.0))
    )  # fmt: skip
    shifts = np.zeros((order.height, len(weeks), len(kinds)), dtype=SHIFT)
    for name in SHIFT_PARTS:
        shifts[name] = grid[name].to_numpy().reshape(shifts.shape)
    return shifts


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
