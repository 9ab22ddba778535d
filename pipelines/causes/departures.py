"""How far each vehicle's corrections are off now, in a form that compares causes: `FamilyDrift` in, arrays out.

The drift stage holds a vehicle against its own past and learns that past as it goes on. So a companion that moves too
little to raise an alarm is taken into the vehicle's own level while the leading correction strays. Here all corrections
of a vehicle are held against one time: before its episode began. What stood before the record shows only beside peers.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.stats import norm

from pipelines.causes.bayes_factors import Pattern
from pipelines.causes.departure_noise import FEWEST_TELL, CommonMovement, common_movement, deviation_noise, scatter_now
from pipelines.handover import Bools, FamilyDrift, Float64s, Int64s
from pipelines.outliers.levels import PeerLevels, own_offsets, peer_levels

RECENT_ROWS = 60  # readings of a vehicle that are looked at; an episode that is older is taken to have begun there
BEFORE_ALARM, WITHOUT_ALARM = 10, 20  # readings by which the base lies before the alarm, before now (judgement)
SAME_EPISODE = 8  # readings without an alarm, after a reset say, within which an episode goes on (judgement)
ANEW = 0.5  # how far a level learned anew may differ from the one before, in sds of levels (judgement)
USUAL_RELEARNING, WORTH = (
    1.5,
    50.0,
)  # how much more what relearns scatters where few readings tell, and what that is worth
SOME_ROWS = 5000  # readings that tell it
STRAYS_FROM = 4.5  # scatters from which a vehicle is taken to have left its own past
OLD_FROM = 5.0  # scatters of its peers' levels from which a vehicle that never left its past is taken to be off
TAIL, MOST_TAIL = 0.98, 2.0  # quantile of calm vehicles' departures, few of which are a defect's; most it may widen
USUAL_LEVEL_SD = 1.5  # sd of healthy levels in sigmas where too few peers tell (judgement)


@dataclass(frozen=True, kw_only=True)
class Departures:
    """One family's vehicles now.

    Attributes:
        pattern: In healthy scatters.
        sigmas: [V, C] departures in sigmas of each vehicle's own noise, as they are published.
        deviation: [V, C] the same in the unit of the correction.
        alarmed: [V] the drift test found that something strays.
        shared: What the departures were freed of: what each vehicle's depot does as a whole, in healthy scatters as
            they were before.
        shared_deviation: [V, C] the same in the unit of the correction.
        before_record: [V] what departs stood before the record began, or came so slowly: held against peers.
        recent: The family with the newest rows of each vehicle alone.
        health: What they were held against.
    """

    pattern: Pattern
    shared: Pattern
    shared_deviation: Float64s
    sigmas: Float64s
    deviation: Float64s
    alarmed: Bools
    before_record: Bools
    recent: FamilyDrift
    health: "HealthNow"


@dataclass(frozen=True, kw_only=True)
class _Held:
    """Departures from something, and their healthy scatter: [V, C] each, in sigmas of each vehicle's own noise."""

    size: Float64s
    noise: Float64s

    def widened(self, factor: Float64s | float) -> "_Held":
        """With so many times the scatter."""
        return _Held(size=self.size, noise=self.noise * factor)

    def largest(self) -> Float64s:
        """[V] in scatters."""
        most: Float64s = np.abs(np.nan_to_num(self.size / self.noise)).max(axis=1, initial=0.0)
        return most


@dataclass(frozen=True, kw_only=True)
class HealthNow:
    """What one family's vehicles depart from now, and how they scatter in health, as others are held against it.

    Attributes:
        levels: Of the peers.
        together: What all of them do.
        now, before: [C] scatter of deviations, now and as it was.
        settled: [C] of departures from each vehicle's own past; level_sd: of its level among its peers'.
        slow: How many times more deviations scatter while relearning.
        tail: By how much far departures are farther than normal.
        ways: [C] from the centre of what is expected to the upper limit, and to the lower.
    """

    levels: PeerLevels
    together: CommonMovement
    now: Float64s
    before: Float64s
    settled: Float64s
    level_sd: Float64s
    slow: float
    tail: float
    ways: tuple[Float64s, Float64s]


def departures(
    family: FamilyDrift, moved: pl.DataFrame | None = None, health: HealthNow | None = None
) -> Departures:  # fmt: skip
    """Departures of every vehicle at its newest row.

    A vehicle whose corrections left its own past is judged by that; one that did not, but lies beyond what its peers'
    levels are, by its distance to them.

    Args:
        family: Drift.
        moved: Rows of bands' `MOVED`: depots that the bands followed; None: not kept.
        health: As other vehicles of the family showed it; None: as these do.
    """
    recent = newest_rows(family)
    last = recent.panel.row_start[1:] - 1
    own_scale = np.maximum(np.nan_to_num(recent.scale[last].astype(np.float64), nan=1.0), 1e-3)
    alarmed: Bools = np.asarray(recent.alarm[last].any(axis=1))
    health = health or _health(family, recent, own_scale)
    slow = np.where(recent.relearning[last], health.slow, 1.0)
    own, peers, shared = _held_against(recent, own_scale, health)
    own, peers = own.widened(slow), peers.widened(slow)
    tail = _tail(own, alarmed) if np.isnan(health.tail) else health.tail
    own, peers = own.widened(tail), peers.widened(tail)
    old = (peers.largest() >= OLD_FROM) & (own.largest() < STRAYS_FROM)
    size = np.where(old[:, None], peers.size, own.size)
    noise = np.where(old[:, None], peers.noise, own.noise)
    sigma = np.maximum(recent.sigma.astype(np.float64), 1e-12) * own_scale
    up, down = health.ways
    shared_size, usual = shared.size + followed(recent, base_rows(recent), moved) / own_scale, shared.noise
    return Departures(
        pattern=Pattern(scatters=size / noise, up=up / (noise * sigma), down=down / (noise * sigma)),
        shared=Pattern(scatters=shared_size / usual, up=up / (usual * sigma), down=down / (usual * sigma)),
        shared_deviation=shared_size * sigma,
        sigmas=size,
        deviation=size * sigma,
        alarmed=alarmed,
        before_record=old,
        recent=recent,
        health=replace(health, tail=tail),
    )


def _health(family: FamilyDrift, recent: FamilyDrift, own_scale: Float64s) -> HealthNow:
    """As these vehicles show it; the tail is not known yet (NaN)."""
    panel = recent.panel
    last, base = panel.row_start[1:] - 1, base_rows(recent)
    levels = peer_levels(recent)
    offset = own_offsets(recent, levels).astype(np.float64)
    z = recent.z[last].astype(np.float64)
    together = common_movement(z, panel.depot[last], panel.depots)
    z -= together.of(panel.depot[last], panel.depots)
    since_base = z + np.nan_to_num(offset[last] - offset[base]) / own_scale
    anew = panel.epoch[base] != panel.epoch[last]
    now, before = deviation_noise(family)
    settled = np.maximum(now, scatter_now(np.where(anew | recent.relearning[last], np.nan, since_base)))
    return HealthNow(
        levels=levels, together=together, now=now, before=before, settled=settled, level_sd=_level_sd(offset[last]),
        slow=relearning_noise(family), tail=float("nan"), ways=ways_to_limits(recent),
    )  # fmt: skip


def _held_against(recent: FamilyDrift, own_scale: Float64s, health: HealthNow) -> tuple[_Held, _Held, _Held]:
    """Each vehicle's newest levels against its own past, against its peers' levels, and what all do together."""
    panel = recent.panel
    last, base = panel.row_start[1:] - 1, base_rows(recent)
    offset = own_offsets(recent, health.levels).astype(np.float64)
    common = health.together.of(panel.depot[last], panel.depots)
    z = recent.z[last].astype(np.float64) - common
    now, level_sd = health.now, health.level_sd
    since_base = z + np.nan_to_num(offset[last] - offset[base]) / own_scale
    beside = z + offset[last] / own_scale
    anew = panel.epoch[base] != panel.epoch[last]
    noise = np.hypot(health.settled, np.where(anew, ANEW * level_sd, 0.0) / own_scale)
    # What was off before and comes back to its peers was mended; what alarmed has had its level before held fast.
    mended = (np.abs(offset[base]) > STRAYS_FROM * level_sd) & (np.abs(beside) < np.abs(since_base))
    tells_more = (np.abs(z) / now > np.abs(since_base) / noise) & ~mended
    own = np.where(mended, beside, np.where(tells_more, z, since_base))
    return (
        _Held(size=own, noise=np.where(tells_more, now, noise)),
        _Held(size=beside, noise=np.hypot(health.settled, level_sd / own_scale)),
        _Held(size=common, noise=np.broadcast_to(health.before, z.shape)),
    )


def newest_rows(family: FamilyDrift) -> FamilyDrift:
    """The family with the newest rows of each vehicle alone."""
    panel = family.panel
    first = np.maximum(panel.row_start[:-1], panel.row_start[1:] - RECENT_ROWS)
    count = panel.row_start[1:] - first
    start = np.append(0, np.cumsum(count))
    rows = np.arange(start[-1]) + np.repeat(first - start[:-1], count)
    by_row = {name: getattr(panel, name)[rows] for name in ("read_at", "hours", "km", "depot", "duty", "calibration")}
    cells = {name: getattr(panel, name).T[:, rows].T for name in ("values", "epoch")}
    kept = ("expected", "scale", "deviation", "z", "alarm", "relearning")
    return replace(
        family,
        panel=replace(panel, row_start=start, coded={}, worked={}, **by_row, **cells),
        **{name: getattr(family, name).T[:, rows].T for name in kept},
    )


def base_rows(family: FamilyDrift) -> Int64s:
    """[V] the row that a vehicle's present is held against: before its alarms began, or some way back."""
    panel = family.panel
    first, last = panel.row_start[:-1], panel.row_start[1:] - 1
    base = np.empty(len(last), dtype=np.int64)
    for v, (begin, end) in enumerate(zip(first, last, strict=True)):
        alarms = np.flatnonzero(family.alarm[begin : end + 1].any(axis=1))
        base[v] = end - WITHOUT_ALARM
        if len(alarms) and end - begin - alarms[-1] <= SAME_EPISODE:
            gaps = np.flatnonzero(np.diff(alarms) > SAME_EPISODE)
            base[v] = begin + alarms[gaps[-1] + 1 if len(gaps) else 0] - BEFORE_ALARM
    return np.clip(base, first, last)


def followed(family: FamilyDrift, base: Int64s, moved: pl.DataFrame | None) -> Float64s:
    """[V, C] by how much bands followed each vehicle's depot since its row `base`, in sigmas of healthy noise.

    Args:
        family: Drift.
        base: [V] rows.
        moved: Rows of bands' `MOVED`; None: not kept.
    """
    panel = family.panel
    found = np.zeros((len(panel.vehicles), len(panel.codes)))
    if moved is None or moved.is_empty():
        return found
    mine = moved.filter(engine_family=panel.family).filter(pl.col("correction").is_in(panel.codes))
    depot, since = panel.depot[panel.row_start[1:] - 1], panel.read_at[base]
    for row in mine.filter(pl.col("depot").is_in(panel.depots)).iter_rows(named=True):
        at = np.datetime64(row["week_from"].replace(tzinfo=None), "us")
        here = (depot == panel.depots.index(row["depot"])) & (since < at)
        found[here, panel.codes.index(row["correction"])] += row["moved"]
    return found


def relearning_noise(family: FamilyDrift) -> float:
    """How many times more deviations scatter while relearning than when settled, drawn to the usual where few tell."""
    some = slice(None, None, max(len(family.z) // SOME_ROWS, 1))
    z, relearning = np.abs(family.z[some]), family.relearning[some]
    learning, settled = (z[rows & np.isfinite(z)] for rows in (relearning, ~relearning))
    if not len(learning) or not len(settled):
        return USUAL_RELEARNING
    ratio = float(np.quantile(learning, 0.8) / max(float(np.quantile(settled, 0.8)), 1e-6))
    share = len(learning) / (len(learning) + WORTH)
    return float(np.clip(share * ratio + (1 - share) * USUAL_RELEARNING, 1.0, 3.0))


def _tail(own: _Held, alarmed: Bools) -> float:
    """By how much the far departures of vehicles without an alarm are farther than those of a normal distribution."""
    if np.sum(~alarmed) < FEWEST_TELL:
        return 1.0
    calm = np.abs((own.size / own.noise)[~alarmed])
    calm = calm[np.isfinite(calm)]
    if not len(calm):
        return 1.0
    return float(np.clip(np.quantile(calm, TAIL) / norm.ppf((1 + TAIL) / 2), 1.0, MOST_TAIL))


def _level_sd(offset: Float64s) -> Float64s:
    """[C] sd of healthy vehicles' own levels in sigmas, from the middle of them; few are drawn to the usual."""
    told = np.sum(np.isfinite(offset), axis=0)
    size = np.nanquantile(np.abs(np.where(told > 0, offset, 0.0)), 0.7, axis=0) / 1.036
    sd: Float64s = np.sqrt((told * size**2 + 10 * USUAL_LEVEL_SD**2) / (told + 10))
    return sd


def ways_to_limits(family: FamilyDrift) -> tuple[Float64s, Float64s]:
    """[C], [C] from the centre of what is expected now to the upper and lower limit, unit of the correction."""
    panel = family.panel
    expected = family.expected[panel.row_start[1:] - 1].astype(np.float64)
    known = np.isfinite(expected).any(axis=0)
    centre = np.where(known, np.nanmedian(np.where(known, expected, 0.0), axis=0), panel.neutral)
    return np.maximum(panel.high_limit - centre, 1e-9), np.maximum(centre - panel.low_limit, 1e-9)
