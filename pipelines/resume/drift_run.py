"""The stage drift going on from a checkpoint, to the last bit what it gives from the first reading; no file."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from pipelines.bands.learning import settled_blocks
from pipelines.bands.normal import Normal, days
from pipelines.digests import code_digest
from pipelines.drift.family import EXACT_PEERS
from pipelines.drift.stage import Family, straying
from pipelines.handover import Drift, Evidence, History, Panel
from pipelines.resume.drift_checkpoint import (
    STAGES,
    Checkpoint,
    FamilyCheckpoint,
    Put,
    empty_checkpoint,
    weeks_to_keep,
)
from pipelines.resume.drift_past import terms_digest
from pipelines.resume.drift_start import Start, known_normal, start_of, still_normal
from pipelines.resume.reset_checkpoint import ResetCheckpoint
from pipelines.settings import Settings
from pipelines.threads import in_threads


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
    goes_on = _GoesOn(kept=kept, as_of=evidence.as_of, keep=keep, put=put)
    return straying(panels, evidence=evidence, history=history, settings=settings, beginnings=goes_on)


@dataclass
class _GoesOn:
    """Every family begins where a checkpoint left it, if its past is as it was, and leaves the next one.

    families, starts, terms: of each. taken: the next checkpoint. settled_blocks: of the normals, then.
    """

    kept: Checkpoint | None
    as_of: datetime
    keep: Callable[[Checkpoint], None]
    put: Put
    families: Sequence[Family] = ()
    starts: Sequence[Start] = ()
    terms: Sequence[str] = ()
    taken: Checkpoint = field(init=False)
    settled_blocks: int = 0

    def known(self, families: Sequence[Family], *, fleet_start: float, settings: Settings) -> Sequence[Normal]:
        """The first blocks of what was learned, if no family's past has changed; families learn from each other."""
        weeks = weeks_to_keep(fleet_start, self.as_of.timestamp() / 86_400) if families else 0
        self.taken = Checkpoint(
            code=code_digest(STAGES), fleet_start=fleet_start, week=weeks, families={}, resets=ResetCheckpoint.empty()
        )
        kept = self.kept
        if kept and (kept.code != self.taken.code or kept.fleet_start != fleet_start or kept.week > weeks):
            kept = self.kept = None
        self.families = families
        self.terms = [
            terms_digest(family.panel, family.learn_hours, family.moving, settings.false_alarms_per_vehicle_year)
            for family in families
        ]
        self.starts = in_threads(self._start, range(len(families)))
        panels = [family.panel for family in families]
        self.settled_blocks = settled_blocks(panels, fleet_start=fleet_start, until=self.taken.until)
        before = [start.kept for start in self.starts if start.kept]
        if not kept or len(before) < len(families) or len(before) < len(kept.families):
            return ()
        blocks = min((family.settled_blocks for family in before), default=0)
        return [known_normal(family, panel, blocks) for family, panel in zip(before, panels, strict=True)]

    def _start(self, place: int) -> Start:
        family, start = self.families[place], None
        panel = family.panel
        if self.kept and panel.family in self.kept.families:
            start = start_of(
                panel, self.kept.families[panel.family], family.settled, until=self.kept.until, terms=self.terms[place]
            )
        return start or Start.blank(panel)

    def of(self, place: int, normal: Normal, *, directions: int) -> tuple[Start, FamilyCheckpoint | None]:
        """At its first reading where the normal of its past has changed; small families always begin there."""
        family, start, taken, checkpoint = self.families[place], self.starts[place], self.taken, None
        panel = family.panel
        if not (self.kept and still_normal(start, panel, normal, self.kept.until)):
            start = Start.blank(panel)
        if self.kept and start.kept and self.kept.week == taken.week and start.goes_on.all():
            taken.families[panel.family] = start.kept  # as it was
        elif taken.week and days(panel).min() < taken.until:
            checkpoint = taken.families[panel.family] = empty_checkpoint(
                panel, normal, family.settled, start.known, week=taken.week, until=taken.until, terms=self.terms[place],
                settled_blocks=self.settled_blocks, directions=directions,
            )  # fmt: skip
        return Start.blank(panel) if len(panel.vehicles) <= EXACT_PEERS else start, checkpoint

    def done(self) -> None:
        """Keep it."""
        self.keep(self.taken)
