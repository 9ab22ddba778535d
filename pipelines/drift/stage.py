"""The stages bands and drift in their order: panels in, `Drift` out; pure computing, each correction on its own.

A run goes on from a checkpoint where one is given and its past is as it was; without one it begins with the first
reading. Both give the same.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.bands.band_tables import Bands, kept_tables
from pipelines.bands.group_levels import groups_of
from pipelines.bands.learning import learn_normals, settled_blocks
from pipelines.bands.moved import MOVED, moved_depots
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.recalibration import SHIFT, changes
from pipelines.bands.relearning import relearning_hours, settled_rows
from pipelines.bands.scatter import widenings
from pipelines.bands.season import WEEKLY
from pipelines.digests import code_digest
from pipelines.drift.directions import Patterns, directions, patterns
from pipelines.drift.family import EXACT_PEERS, FamilyRun, run_family
from pipelines.drift.joined import TABLE, joined_table
from pipelines.drift.onset_posterior import conclude
from pipelines.drift.states import Newest, correction_states
from pipelines.drift.threshold import threshold
from pipelines.handover import SETTLED_CHANGES, Bools, Drift, Evidence, Float64s, History, Panel
from pipelines.resume.drift_checkpoint import (
    STAGES,
    Checkpoint,
    Put,
    Start,
    copied,
    empty_checkpoint,
    known_normal,
    start_of,
    still_normal,
    weeks_to_keep,
)
from pipelines.resume.drift_past import terms_digest
from pipelines.resume.reset_checkpoint import ResetCheckpoint
from pipelines.settings import Settings
from pipelines.threads import in_threads


def straying(panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
    """Which corrections stray, of every vehicle, at every reading and as of now.

    Args:
        panels: One per engine family (stage `bands`).
        evidence: What was known.
        history: Epochs and clocks; the panels carry what is needed of them.
        settings: The promise of false alarms.
    """
    runs, _ = _run(panels, evidence=evidence, settings=settings, weeks=0, kept=None, put=copied)
    return _concluded(runs, evidence=evidence, history=history)


def straying_since(
    kept: Checkpoint | None,
    panels: Sequence[Panel],
    *,
    evidence: Evidence,
    history: History,
    settings: Settings,
    keep: Callable[[Checkpoint], None],
    put: Put,
) -> Drift:
    """The same as `straying`, going on from a checkpoint.

    A family whose past is not as it was (a late reading, other work, depots, limits, settings or code) is computed from
    its first reading, and so is everything without a checkpoint: always right, only slower.

    Args:
        kept: What an earlier run gave; None: nothing.
        panels: As for `straying`, with all readings.
        evidence: What is known now.
        history: As for `straying`.
        settings: As for `straying`.
        keep: Called with the next checkpoint, as soon as there is one; what history keeps is to be added. It is that of
            the end of the fleet's last whole week but `LATE_WEEKS`.
        put: Called with each of its large arrays as it comes.

    Returns:
        Drift, with the whole `correction_state`; but the families' arrays hold only each vehicle's readings since the
        checkpoint, and before them the last one that it knows.
    """
    now = evidence.as_of.timestamp() / 86_400
    weeks = weeks_to_keep(_fleet_start(_usable(panels), now), now)
    runs, taken = _run(panels, evidence=evidence, settings=settings, weeks=weeks, kept=kept, put=put)
    keep(taken)
    return _concluded(runs, evidence=evidence, history=history)


@dataclass(frozen=True, kw_only=True)
class Family:
    """One family before it is learned: what relearning takes, digest of terms, settled rows [C, R], where to go on.

    moving: What may move together.
    """

    panel: Panel
    learn_hours: Float64s
    moving: Patterns
    terms: str
    settled: Bools
    start: Start


def _run(
    panels: Sequence[Panel], *, evidence: Evidence, settings: Settings, weeks: int, kept: Checkpoint | None, put: Put
) -> tuple[list[FamilyRun], Checkpoint]:
    """Each family's run, and the checkpoint after so many weeks."""
    usable = _usable(panels)
    fleet_start = _fleet_start(usable, 0.0)
    taken = Checkpoint(
        code=code_digest(STAGES), fleet_start=fleet_start, week=weeks, families={}, resets=ResetCheckpoint.empty()
    )
    if kept and (kept.code != taken.code or kept.fleet_start != fleet_start or kept.week > weeks):
        kept = None
    families = in_threads(lambda panel: _family(panel, evidence, settings, kept), usable)
    settled = [family.settled for family in families]
    normals = learn_normals(usable, fleet_start=fleet_start, settled=settled, known=_known(families, kept))
    blocks = settled_blocks(usable, fleet_start=fleet_start, until=taken.until)
    runs = []
    for family, normal in zip(families, normals, strict=True):
        panel, start, mine = family.panel, _confirmed(family, normal, kept), None
        followed = directions(family.moving, panel, normal)
        if kept and start.kept and kept.week == weeks and start.goes_on.all():
            taken.families[panel.family] = start.kept  # as it was
        elif weeks and days(panel).min() < taken.until:
            mine = taken.families[panel.family] = empty_checkpoint(
                panel, normal, family.settled, start, week=weeks, until=taken.until, terms=family.terms,
                settled_blocks=blocks, directions=len(followed),
            )  # fmt: skip
        bands = _bands(
            panel, normal, family.learn_hours, fleet_start=fleet_start, settings=settings, followed=len(followed)
        )
        if len(panel.vehicles) <= EXACT_PEERS:
            start = Start.blank(panel)
        runs.append(run_family(panel, bands, family.settled, start, followed, taken=mine, put=put))
    return runs, taken


def _concluded(runs: Sequence[FamilyRun], *, evidence: Evidence, history: History) -> Drift:
    """What the runs found, and what the alarms that stand say."""
    found = conclude([(run.panel, run.open_alarms) for run in runs])
    return Drift(
        families=tuple(run.drift for run in runs),
        correction_state=correction_states(
            [
                Newest(panel=run.panel, drift=run.drift, alarms=alarms, changed=run.changed, sigma=run.newest_sigma)
                for run, alarms in zip(runs, found, strict=True)
            ],
            evidence=evidence,
            history=history,
        ),
        settled_changes=pl.concat([pl.DataFrame(schema=SETTLED_CHANGES), *map(_settled_changes, runs)]),
        extras={
            **kept_tables([(run.panel, run.bands) for run in runs]),
            "drift_joined": pl.concat(
                [pl.DataFrame(schema=TABLE), *(joined_table(run.panel, run.joined, run.directions) for run in runs)]
            ),
            "drift_moved": pl.concat(
                [pl.DataFrame(schema=MOVED), *(moved_depots(run.panel, run.bands) for run in runs)]
            ),
        },
    )


def _settled_changes(run: FamilyRun) -> pl.DataFrame:
    """Rows of `SETTLED_CHANGES` of one family."""
    c, v = np.nonzero(np.isfinite(run.changed["day"]))
    return pl.DataFrame(
        {
            "vehicle_id": [run.panel.vehicles[i] for i in v],
            "correction": [run.panel.codes[i] for i in c],
            "size": run.changed["size"][c, v],
            "sigma": run.newest_sigma[c, v],
        },
        schema=SETTLED_CHANGES,
    )


def _usable(panels: Sequence[Panel]) -> list[Panel]:
    return [panel for panel in panels if len(panel.read_at) and panel.codes]


def _fleet_start(panels: Sequence[Panel], otherwise: float) -> float:
    """Day since 1970 of the first reading."""
    return min((float(days(panel).min()) for panel in panels), default=otherwise)


def _family(panel: Panel, evidence: Evidence, settings: Settings, kept: Checkpoint | None) -> Family:
    learn_hours, moving = relearning_hours(panel, evidence.corrections), patterns(panel, evidence)
    terms = terms_digest(panel, learn_hours, moving, settings.false_alarms_per_vehicle_year)
    settled = settled_rows(panel, days(panel), learn_hours)
    start = None
    if kept and panel.family in kept.families:
        start = start_of(panel, kept.families[panel.family], settled, until=kept.until, terms=terms)
    start = start or Start.blank(panel)
    return Family(panel=panel, learn_hours=learn_hours, moving=moving, terms=terms, settled=settled, start=start)


def _known(families: Sequence[Family], kept: Checkpoint | None) -> list[Normal]:
    """The first blocks of what was learned, if no family's past has changed; families learn from each other."""
    before = [family.start.kept for family in families if family.start.kept]
    if not kept or len(before) < len(families) or len(before) < len(kept.families):
        return []
    blocks = min((family.settled_blocks for family in before), default=0)
    return [known_normal(family, now.panel, blocks) for family, now in zip(before, families, strict=True)]


def _confirmed(family: Family, normal: Normal, kept: Checkpoint | None) -> Start:
    """Where the family goes on; at its first reading where the normal of its past has changed."""
    if kept and still_normal(family.start, family.panel, normal, kept.until):
        return family.start
    return Start.blank(family.panel)


def _bands(
    panel: Panel, normal: Normal, learn_hours: Float64s, *, fleet_start: float, settings: Settings, followed: int
) -> Bands:
    """Not yet filled; each direction that is followed has its share of the promise, as a correction has."""
    weeks = int((days(panel).max() - fleet_start) // WEEK) + 1
    kinds, names = changes(panel.calibration, panel.row_start)[1], groups_of(panel)[2]
    limit = threshold(
        settings.false_alarms_per_vehicle_year,
        np.maximum(normal.corrections, 1.0) + followed,
        normal.readings_a_year,
        normal.memory_days,
    )
    return Bands(
        normal=normal,
        learn_hours=learn_hours,
        threshold=limit,
        widening=widenings(limit),
        start=fleet_start,
        weeks=np.zeros((len(panel.codes), weeks, len(panel.depots) + 1), dtype=WEEKLY),
        groups=names,
        levels=np.full((len(panel.codes), weeks, len(names)), np.nan),
        changes=kinds,
        shifts=np.zeros((len(panel.codes), weeks, len(kinds)), dtype=SHIFT),
        carried=np.zeros((len(panel.codes), weeks)),
    )
