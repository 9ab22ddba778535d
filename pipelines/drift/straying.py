"""The stages bands and drift in their order: panels in, `Drift` out; pure computing, each correction on its own."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from pipelines.bands import recalibration, season
from pipelines.bands.kept import Bands, kept_tables
from pipelines.bands.learning import learn_normals
from pipelines.bands.normal import WEEK, Normal, days, vehicle_of_row
from pipelines.bands.relearning import relearning_hours, settled_rows
from pipelines.bands.standing import held_at, learning_hours, repeats
from pipelines.drift import episode
from pipelines.drift import filter as sequential
from pipelines.drift.episode import Episodes
from pipelines.drift.leeway import leeway
from pipelines.drift.states import correction_states
from pipelines.drift.threshold import threshold
from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float32s, Float64s, History, Int64s, Panel
from pipelines.settings import Settings

THREADS = 2
EXACT_PEERS = 10  # families up to this size leave a vehicle out of its season throughout, not in its own week alone


Family = tuple[FamilyDrift, Bands, Episodes]


def straying(panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
    """Which corrections stray, of every vehicle, at every reading and as of now.

    Args:
        panels: One per engine family (stage `bands`).
        evidence: What was known.
        history: Epochs and clocks; the panels carry what is needed of them.
        settings: The promise of false alarms.
    """
    usable = [panel for panel in panels if len(panel.read_at) and panel.codes]
    start = min((float(days(panel).min()) for panel in usable), default=0.0)
    hours = [relearning_hours(panel, evidence.corrections) for panel in usable]
    settled = [settled_rows(panel, days(panel), needed) for panel, needed in zip(usable, hours, strict=True)]
    normals = learn_normals(usable, fleet_start=start, settled=settled)
    families = [
        _family(panel, normal, needed, rows, start, settings)
        for panel, normal, needed, rows in zip(usable, normals, hours, settled, strict=True)
    ]
    states = [(drift, found) for drift, _, found in families]
    return Drift(
        families=tuple(drift for drift, _, _ in families),
        correction_state=correction_states(states, evidence=evidence, history=history),
        extras=kept_tables([(drift.panel, bands) for drift, bands, _ in families]),
    )


def _family(  # noqa: PLR0917
    panel: Panel, normal: Normal, learn_hours: Float64s, settled: Bools, fleet_start: float, settings: Settings
) -> Family:
    day = days(panel)
    week = np.floor((day - fleet_start) / WEEK).astype(np.int64)
    weeks = int(week.max()) + 1
    shape = (len(panel.codes), len(day))
    change, changes = recalibration.changes(panel.calibration, panel.row_start)
    found = Episodes.none(len(panel.codes), len(panel.vehicles))
    bands = Bands(
        normal=normal,
        learn_hours=learn_hours,
        threshold=threshold(
            settings.false_alarms_per_vehicle_year, np.maximum(normal.corrections, 1.0), normal.readings_a_year
        ),
        start=fleet_start,
        season=np.zeros((shape[0], weeks, len(panel.depots))),
        season_variance=np.zeros((shape[0], weeks, len(panel.depots))),
        change=change,
        changes=changes,
        moved=np.zeros((shape[0], weeks, len(changes), 2)),
        carried=np.zeros((shape[0], weeks)),
    )
    out = empty_drift(panel, bands)
    order = np.argsort(week, kind="stable")
    week_start = np.searchsorted(week[order], np.arange(weeks + 1)).astype(np.int64)
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda c: _correction(c, out, found, bands, settled[c], order, week_start), range(shape[0])))
    return out, bands, found


def empty_drift(panel: Panel, bands: Bands) -> FamilyDrift:
    """The arrays that the filter fills, stored correction by correction."""
    shape = (len(panel.codes), len(panel.read_at))

    def blank() -> Float32s:
        return np.full(shape, np.nan, dtype=np.float32).T

    return FamilyDrift(
        panel=panel,
        expected=blank(),
        sigma=bands.normal.sigma[:, -1].astype(np.float32),
        memory_days=bands.normal.memory_days[:, -1].astype(np.float32),
        deviation=blank(),
        z=blank(),
        slope=blank(),
        leeway=blank(),
        evidence=blank(),
        threshold=np.full(len(panel.codes), bands.threshold[-1], dtype=np.float32),
        alarm=np.zeros(shape, dtype=np.bool_).T,
        relearning=np.zeros(shape, dtype=np.bool_).T,
    )


def _correction(  # noqa: PLR0917
    c: int, out: FamilyDrift, found: Episodes, bands: Bands, settled: Bools, order: Int64s, week_start: Int64s
) -> None:
    """Season, movement by calibrations, then filter, of one correction; fills its rows of `out` and `bands`."""
    panel, normal, day = out.panel, bands.normal, days(out.panel)
    values = np.ascontiguousarray(panel.values[:, c])
    epoch = np.ascontiguousarray(panel.epoch[:, c])
    anchor, anchored = season.anchors(
        panel.row_start, normal.block, panel.calibration, normal.centre[c], normal.ageing[c], panel.km
    )
    standing = standing_of(c, panel, bands.normal)
    x = np.where(standing, np.nan, values - anchor)
    seasonal, variance = np.zeros(len(day)), np.zeros(len(day))
    arguments = (
        x,
        order,
        week_start,
        vehicle_of_row(panel),
        panel.depot,
        epoch,
        normal.block,
        normal.weekly_noise(c),
        normal.offset_sd[c] ** 2,
        normal.season_move[c],
        normal.depot_move[c],
        len(panel.depots),
        len(panel.vehicles),
    )
    if len(panel.vehicles) <= EXACT_PEERS:
        for vehicle in range(len(panel.vehicles)):
            season.run(*arguments, vehicle, seasonal, variance, bands.season[c], bands.season_variance[c])
    season.run(
        *arguments,
        -1,
        *((np.empty(len(day)), np.empty(len(day))) if len(panel.vehicles) <= EXACT_PEERS else (seasonal, variance)),
        bands.season[c],
        bands.season_variance[c],
    )
    moved = np.zeros((len(day), 3))
    recalibration.run(
        x - seasonal + anchored[:, 1],
        order,
        week_start,
        vehicle_of_row(panel),
        epoch,
        settled,
        bands.change,
        normal.block,
        normal.weekly_noise(c),
        normal.offset_sd[c] ** 2,
        len(panel.vehicles),
        moved,
        bands.moved[c],
        bands.carried[c],
    )
    moved[:, 0] -= anchored[:, 0]
    variance *= normal.season_worth(c, variance)
    filter_correction(c, panel, bands, day, anchor + seasonal, variance, moved, out, found)


def standing_of(c: int, panel: Panel, normal: Normal) -> Bools:
    """[R] readings of one correction that were not learned since the one before."""
    low, high = held_at(panel)
    standing: Bools = repeats(
        np.ascontiguousarray(panel.values[:, c]),
        panel.row_start,
        normal.stands_from[c, normal.block],
        low[c],
        high[c],
    )
    return standing


def filter_correction(  # noqa: PLR0917
    c: int,
    panel: Panel,
    bands: Bands,
    day: Float64s,
    base: Float64s,
    variance: Float64s,
    moved: Float64s,
    out: FamilyDrift,
    found: Episodes,
) -> None:
    """Filter one correction against `base` [R], its error variance, and what epochs' ends `moved` [R, 3].

    Fills its rows of `out` and `found`.
    """
    normal = bands.normal
    standing = standing_of(c, panel, normal)
    inputs = (
        np.where(standing, np.float32(np.nan), panel.values[:, c]),
        base,
        variance,
        np.ascontiguousarray(panel.epoch[:, c]),
        bands.change,
        moved,
        panel.row_start,
        day,
        learning_hours(panel.hours, standing, panel.row_start),
        normal.block,
        normal.model(c),
        normal.tails[c],
        bands.learn_hours[c],
        bands.threshold,
    )
    outputs = (
        out.expected.T[c],
        out.deviation.T[c],
        out.slope.T[c],
        out.evidence.T[c],
        out.alarm.T[c],
        out.relearning.T[c],
    )
    sequential.run(*inputs, *outputs, np.empty((0, 6)))
    episode.explain(c, out, found, inputs)
    out.z.T[c] = out.deviation.T[c] / normal.sigma[c, normal.block]
    centre = normal.centre[c, normal.block, panel.calibration]
    out.leeway.T[c] = leeway(
        out.expected.T[c] + out.deviation.T[c],
        out.deviation.T[c],
        centre,
        low_limit=panel.low_limit[c],
        high_limit=panel.high_limit[c],
        can_fault_low=bool(panel.can_fault_low[c]),
        can_fault_high=bool(panel.can_fault_high[c]),
    )
