"""The first stages in their order, for every run that begins with them: who strays. Evidence in, `Drift` out."""

from collections.abc import Callable, Sequence
from typing import Protocol

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.handover import Drift, Evidence, History, Panel
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings

Progress = Callable[[str], None]


class FirstStages(Protocol):
    """How history and drift are computed: from the first reading, or going on from an earlier run."""

    def history(self, evidence: Evidence) -> History:
        """Each vehicle's past put in order."""

    def drift(self, panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
        """Which corrections stray."""


class FromTheFirstReading:
    """Everything anew."""

    def history(self, evidence: Evidence) -> History:
        """As `reconstruct`."""
        return reconstruct(evidence)

    def drift(self, panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
        """As `straying`."""
        return straying(panels, evidence=evidence, history=history, settings=settings)


def first_stages(
    evidence: Evidence,
    *,
    settings: Settings,
    progress: Progress = lambda _stage: None,
    by: FirstStages | None = None,
) -> tuple[History, Drift]:
    """History, then bands and drift.

    Args:
        evidence: What is known.
        settings: The user's settings.
        progress: Called with each stage's name as it begins.
        by: How the two are computed; None: from the first reading. All ways give the same `correction_state`.
    """
    by = by or FromTheFirstReading()
    progress("history")
    history = by.history(evidence)
    progress("bands and drift")
    return history, by.drift(panels(evidence, history), evidence=evidence, history=history, settings=settings)
