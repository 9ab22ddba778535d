"""One vehicle's reasoning for the chart: its readings and the kept bands in, the parts of every expectation out."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.bands.band_tables import Bands, kept_bands
from pipelines.bands.normal import Normal
from pipelines.bands.panel import panels
from pipelines.bands.recalibration import blank_levels
from pipelines.bands.relearning import settled_rows
from pipelines.bands.scatter import blank_scatter
from pipelines.bands.season import blank_peers
from pipelines.drift.alarm_rules import BAND_SIGMAS
from pipelines.drift.family import SHARES, empty_drift
from pipelines.drift.joined import TABLE
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.readings import (
    PeerWeeks,
    Stretch,
    Times,
    VehicleScatter,
    filter_rows,
    health,
    moves,
    output_of,
    own_scale,
    readings_of,
    run_filter,
    seasons,
    take_scatter,
)
from pipelines.drift.series import blank_series
from pipelines.drift.verdict import LEAST_OWN
from pipelines.handover import Bools, Evidence, Panel
from pipelines.history.reconstruct import reconstruct

PATH_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle_id": pl.String, "correction": pl.String, "read_at": pl.Datetime("us", "UTC"), "value": pl.Float64,
    "centre": pl.Float64, "season": pl.Float64, "offset": pl.Float64, "relearning": pl.Float64,
    "expected": pl.Float64, "band_low": pl.Float64, "band_high": pl.Float64, "level": pl.Float64,
    "evidence": pl.Float64, "threshold": pl.Float64, "epoch": pl.Int32, "settled": pl.Boolean,
}  # fmt: skip


def correction_paths(evidence_of_one_vehicle: Evidence, extras: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Every reading of one vehicle with what it should have been, and why.

    expected = centre (with ageing) + season + offset + relearning; level is the smoothed reading; evidence is the
    statistic that raises an alarm above threshold, which is lower where others bear the change out. While a
    correction relearns, its own part stands in `relearning`. The season is that of its peers without it, as in the
    analysis; in families of ten and fewer, its past weeks have a share in it.

    Args:
        evidence_of_one_vehicle: Its evidence at some as_of.
        extras: The tables that `kept_tables` published then.

    Returns:
        Rows of `PATH_SCHEMA`, sorted by correction, then time; empty where nothing is kept of its family.
    """
    if not extras:
        return pl.DataFrame(schema=PATH_SCHEMA)
    history = reconstruct(evidence_of_one_vehicle)
    joined = extras.get("drift_joined", pl.DataFrame(schema=TABLE))
    with_bands = [kept_bands(_joined(panel, joined), extras) for panel in panels(evidence_of_one_vehicle, history)]
    paths = [_paths(*pair) for pair in with_bands if pair]
    return pl.concat(paths) if paths else pl.DataFrame(schema=PATH_SCHEMA)


def _joined(panel: Panel, joined: pl.DataFrame) -> Panel:
    """The panel of one vehicle with the readings at which others bore a change out."""
    of_vehicle = joined.filter(pl.col("vehicle_id").is_in(panel.vehicles), pl.col("correction").is_in(panel.codes))
    rows = {
        code: np.flatnonzero(np.isin(panel.read_at.astype("datetime64[us]"), of["read_at"].to_numpy()))
        for (code,), of in of_vehicle.group_by("correction")
    }
    return replace(panel, joined={str(code): row for code, row in rows.items()})


def _paths(panel: Panel, bands: Bands) -> pl.DataFrame:
    normal, times = bands.normal, Times.of(panel, bands.normal, bands.start)
    out = empty_drift(panel, bands)
    first, last = panel.row_start[:-1], panel.row_start[1:]
    stretch = Stretch.of(panel, first, times)
    settled = settled_rows(panel, times.day, bands.learn_hours)
    centre, seasonal = np.empty(out.expected.T.shape), np.empty(out.expected.T.shape)
    threshold = np.tile(bands.threshold[normal.block], (len(panel.codes), 1))
    of_vehicle = _vehicle_scatter(panel, normal, stretch, settled)
    for c in range(len(panel.codes)):
        scale = own_scale(c, panel, bands, stretch, settled[c], of_vehicle=of_vehicle)
        readings = readings_of(c, panel, normal, stretch, settled[c], scale=scale, jumps=of_vehicle.jumps)
        peers, series = blank_peers(len(first)), blank_series(len(first))
        season = seasons(
            c,
            readings,
            normal,
            first=first,
            row_start=panel.row_start,
            peers=peers,
            weeks=PeerWeeks(bands.weeks[c][None], bands.levels[c][None], bands.shared),
        )
        levels = blank_levels(len(first))
        moved = moves(c, readings, season[0], bands, first=first, row_start=panel.row_start, levels=levels)
        run_filter(
            filter_rows(readings, season, moved), health(c, panel, bands), first=first, last=last, series=series,
            onsets=empty_bank(0), output=output_of(c, out),
        )  # fmt: skip
        centre[c], seasonal[c], out.scale.T[c] = readings.anchor, season[0], readings.scale
        threshold[c, readings.joined] *= LEAST_OWN
    rows = len(times.day)
    expected = out.expected.T.astype(np.float64)
    offset, learning = expected - centre - seasonal, out.relearning.T
    margin = BAND_SIGMAS * normal.sigma[:, normal.block] * out.scale.T
    frame = pl.DataFrame(
        {
            "vehicle_id": np.tile(
                np.repeat(np.array(panel.vehicles, dtype=object), np.diff(panel.row_start)), len(centre)
            ).tolist(),
            "correction": np.repeat(np.array(panel.codes, dtype=object), rows).tolist(),
            "read_at": pl.Series(np.tile(panel.read_at.astype("datetime64[us]"), len(centre))).dt.replace_time_zone(
                "UTC"
            ),
            "value": panel.values.T.astype(np.float64).ravel(),
            "centre": centre.ravel(),
            "season": seasonal.ravel(),
            "offset": np.where(learning, 0.0, offset).ravel(),
            "relearning": np.where(learning, offset, 0.0).ravel(),
            "expected": expected.ravel(),
            "band_low": (expected - margin).ravel(),
            "band_high": (expected + margin).ravel(),
            "level": (expected + out.deviation.T).ravel(),
            "evidence": out.evidence.T.astype(np.float64).ravel(),
            "threshold": threshold.ravel(),
            "epoch": panel.epoch.T.ravel(),
            "settled": ~learning.ravel(),
        },
        schema=PATH_SCHEMA,
    )
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _vehicle_scatter(panel: Panel, normal: Normal, stretch: Stretch, settled: Bools) -> VehicleScatter:
    """Each vehicle's at its rows."""
    of_vehicle = np.zeros((len(panel.read_at), 3))
    weight, own = np.empty((2, len(panel.read_at)), dtype=np.float32)
    for share in range(SHARES):  # added up as in the analysis
        part = np.zeros_like(of_vehicle)
        for c in range(share, len(panel.codes), SHARES):
            take_scatter(
                c, panel, normal, stretch, settled[c], first=panel.row_start[:-1], last=panel.row_start[1:],
                series=blank_scatter(len(panel.vehicles)), of_vehicle=part, weight=weight, own=own,
            )  # fmt: skip
        of_vehicle += part
    return VehicleScatter.of(of_vehicle, panel.row_start, normal)
