"""The first stages alone, going on from an earlier run: who strays. The later ones learn from every past reading."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipelines.bands.normal import WEEK
from pipelines.causes.settled_changes import with_causes_heard
from pipelines.first_stages import first_stages
from pipelines.handover import Drift, Evidence, History, Panel
from pipelines.history.reading_rows import days
from pipelines.resume.drift_checkpoint import Checkpoint, Put, weeks_to_keep
from pipelines.resume.drift_run import straying_since
from pipelines.resume.reset_checkpoint import ResetCheckpoint, learning_since
from pipelines.settings import Settings


def correction_states_since(
    kept: Checkpoint | None,
    evidence: Evidence,
    *,
    settings: Settings,
    keep: Callable[[Checkpoint], None],
    put: Put,
    ranked_before: pl.DataFrame | None = None,
    progress: Callable[[str], None] = lambda _stage: None,
) -> pl.DataFrame:
    """The `correction_state` that the stage `drift` gives, to the last bit, going on from an earlier run.

    Causes are not ranked here. What the last analysis knew of them is heard, so that a change that it held for part of
    a trouble does not pass for settled.

    Args:
        kept: What an earlier run gave; None: nothing.
        evidence: What is known now.
        settings: The user's settings.
        keep: Called with what the next run can go on from, as soon as that is known.
        put: Called with each of its large arrays as it comes.
        ranked_before: The `cause_ranking` of the last analysis; None: none is kept.
        progress: Called with each stage's name as it begins.
    """
    goes_on = _GoesOn(kept=kept if kept and kept.fits else None, keep=keep, put=put)
    _, drift = first_stages(evidence, settings=settings, progress=progress, by=goes_on)
    heard = drift if ranked_before is None else with_causes_heard(drift, ranked_before, evidence=evidence)
    return heard.correction_state


@dataclass
class _GoesOn:
    """History and drift going on from a checkpoint; gives the next one."""

    kept: Checkpoint | None
    keep: Callable[[Checkpoint], None]
    put: Put
    resets: ResetCheckpoint = field(default_factory=ResetCheckpoint.empty)

    def history(self, evidence: Evidence) -> History:
        now = evidence.as_of.timestamp() / 86_400
        first = float(days(evidence.snapshots["read_at"]).min(initial=now))
        until = first + WEEK * weeks_to_keep(first, now)
        before = self.kept.resets if self.kept else self.resets
        history, self.resets = learning_since(before, evidence, until=until)
        return history

    def drift(self, panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
        return straying_since(
            self.kept,
            panels,
            evidence=evidence,
            history=history,
            settings=settings,
            keep=lambda left: self.keep(replace(left, resets=self.resets)),
            put=self.put,
        )
