"""The stages bands and drift in their order: panels in, `Drift` out; pure computing, each correction on its own."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import polars as pl

from pipelines.bands.band_tables import OTHERS_TAUGHT, Bands, kept_tables
from pipelines.bands.group_levels import groups_of
from pipelines.bands.learning import learn_normals
from pipelines.bands.moved import MOVED, moved_depots
from pipelines.bands.normal import WEEK, Normal, days
from pipelines.bands.recalibration import SHIFT, changes
from pipelines.bands.relearning import relearning_hours, settled_rows
from pipelines.bands.scatter import widenings
from pipelines.bands.season import WEEKLY
from pipelines.drift.directions import Patterns, directions, patterns
from pipelines.drift.family import run_family
from pipelines.drift.family_run import FamilyRun
from pipelines.drift.joined import TABLE, joined_table
from pipelines.drift.learned import FamilyLearned, Learned
from pipelines.drift.onset_posterior import conclude, shares_shown
from pipelines.drift.states import Newest, correction_states, repeats_of
from pipelines.drift.threshold import threshold
from pipelines.handover import SETTLED_CHANGES, Bools, Drift, Evidence, Float64s, History, Panel
from pipelines.resume.drift_checkpoint import FamilyCheckpoint, Put, copied
from pipelines.resume.drift_start import Start
from pipelines.settings import Settings
from pipelines.threads import in_threads


@dataclass(frozen=True, kw_only=True)
class Family:
    """One family before it is learned.

    learn_hours: [C] that relearning takes. moving: what may move together. settled: [C, R] False while relearning.
    """

    panel: Panel
    learn_hours: Float64s
    moving: Patterns
    settled: Bools


class Beginnings(Protocol):
    """Where families begin: at their first reading, or where an earlier run left them. All ways give the same."""

    @property
    def put(self) -> Put:
        """Takes large arrays that are kept."""

    def known(self, families: Sequence[Family], *, fleet_start: float, settings: Settings) -> Sequence[Normal]:
        """Each family's first blocks, as many of all, where they are known already."""

    def of(self, place: int, normal: Normal, *, directions: int) -> tuple[Start, FamilyCheckpoint | None]:
        """Where a family begins, and what it fills for the next run."""

    def done(self) -> None:
        """All families have run."""


def straying(
    panels: Sequence[Panel],
    *,
    evidence: Evidence,
    history: History,
    settings: Settings,
    beginnings: Beginnings | None = None,
) -> Drift:
    """Which corrections stray, of every vehicle, at every reading and as of now.

    Args:
        panels: One per engine family (stage `bands`).
        evidence: What was known.
        history: Epochs and clocks; the panels carry what is needed of them.
        settings: The promise of false alarms.
        beginnings: Where the families with readings begin; None: at their first readings.
    """
    return straying_and_learned(panels, evidence=evidence, history=history, settings=settings, beginnings=beginnings)[0]


def straying_and_learned(
    panels: Sequence[Panel],
    *,
    evidence: Evidence,
    history: History,
    settings: Settings,
    beginnings: Beginnings | None = None,
    learned: Learned | None = None,
) -> tuple[Drift, Learned]:
    """The same, and what was learned: of families that nobody learned of before, it is learned here.

    Args:
        panels: As for `straying`.
        evidence: As for `straying`.
        history: As for `straying`.
        settings: As for `straying`.
        beginnings: As for `straying`; with nothing learned before.
        learned: Of other vehicles of these families; None: nothing.
    """
    usable = [panel for panel in panels if len(panel.read_at) and panel.codes]
    known_before = learned.families if learned else {}
    whole = evidence.whole
    first_days = [float(days(panel).min()) for panel in usable]
    fleet_start = whole.first_day if whole else min(first_days, default=0.0)
    families = in_threads(lambda panel: _family(panel, evidence), usable)
    known = beginnings.known(families, fleet_start=fleet_start, settings=settings) if beginnings else ()
    teach = [family for family in families if family.panel.family not in known_before]
    normals = iter(learn_normals(
        [family.panel for family in teach], fleet_start=fleet_start, settled=[family.settled for family in teach],
        known=known,
    ))  # fmt: skip
    runs = []
    for place, family in enumerate(families):
        if before := known_before.get(family.panel.family):
            bands, followed = before.bands_for(family.panel), before.directions
        else:
            normal = next(normals)
            followed = tuple(directions(family.moving, family.panel, normal))
            bands = _bands(family, normal, fleet_start=fleet_start, settings=settings, followed=len(followed))
        start, taken = Start.blank(family.panel), None
        if beginnings:
            start, taken = beginnings.of(place, bands.normal, directions=len(followed))
        put = beginnings.put if beginnings else copied
        runs.append(run_family(family.panel, bands, family.settled, start, followed, taken=taken, put=put))
    if beginnings:
        beginnings.done()
    every = _learned(runs, learned)
    return _concluded(runs, every, evidence=evidence, history=history), every


def _family(panel: Panel, evidence: Evidence) -> Family:
    learn_hours = relearning_hours(panel, evidence.corrections)
    return Family(
        panel=panel,
        learn_hours=learn_hours,
        moving=patterns(panel, evidence),
        settled=settled_rows(panel, days(panel), learn_hours),
    )


def _learned(runs: Sequence[FamilyRun], before: Learned | None) -> Learned:
    """What is known after these runs: of families that nobody taught, by themselves."""
    taught = [run for run in runs if run.bands.shared]
    here = {
        run.panel.family: FamilyLearned.of(run.panel, run.bands, run.directions, repeats_of(run.panel))
        for run in taught
    }
    moved = [moved_depots(run.panel, run.bands) for run in taught]
    if before:
        moved.insert(0, before.moved)
    return Learned(
        families={**(before.families if before else {}), **here},
        shares=before.shares if before else shares_shown([alarm for run in runs for alarm in run.open_alarms]),
        moved=pl.concat([pl.DataFrame(schema=MOVED), *moved]),
    )


def _concluded(runs: Sequence[FamilyRun], learned: Learned, *, evidence: Evidence, history: History) -> Drift:
    """What the runs found, and what the alarms that stand say."""
    episodes = conclude([(run.panel, run.open_alarms) for run in runs], learned.shares)
    taught = [run for run in runs if run.bands.shared]
    return Drift(
        families=tuple(run.drift for run in runs),
        correction_state=correction_states(
            [
                Newest(
                    panel=run.panel,
                    drift=run.drift,
                    alarms=alarms,
                    changed=run.changed,
                    sigma=run.newest_sigma,
                    repeats=learned.families[run.panel.family].repeats,
                )
                for run, alarms in zip(runs, episodes, strict=True)
            ],
            evidence=evidence,
            history=history,
        ),
        settled_changes=pl.concat([pl.DataFrame(schema=SETTLED_CHANGES), *map(_settled_changes, runs)]),
        extras={
            **kept_tables([(run.panel, run.bands) for run in taught]),
            "drift_joined": pl.concat(
                [pl.DataFrame(schema=TABLE), *(joined_table(run.panel, run.joined, run.directions) for run in runs)]
            ),
            "drift_moved": learned.moved,
            OTHERS_TAUGHT: pl.DataFrame(
                {"vehicle_id": [name for run in runs if not run.bands.shared for name in run.panel.vehicles]},
                schema={"vehicle_id": pl.String},
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


def _bands(family: Family, normal: Normal, *, fleet_start: float, settings: Settings, followed: int) -> Bands:
    """Not yet filled; each direction that is followed has its share of the promise, as a correction has."""
    panel = family.panel
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
        learn_hours=family.learn_hours,
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
