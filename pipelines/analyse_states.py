"""The first stages alone, going on from an earlier run: who strays. The later ones learn from every past reading."""

from collections.abc import Callable
from dataclasses import replace

import polars as pl

from pipelines.bands.normal import WEEK
from pipelines.bands.panel import panels
from pipelines.drift.checkpoint import Checkpoint, Put, weeks_to_keep
from pipelines.drift.straying import straying_since
from pipelines.handover import Evidence
from pipelines.history.reconstruct import learning_since
from pipelines.history.rows import days
from pipelines.history.trace import Trace
from pipelines.settings import Settings


def correction_states_since(
    kept: Checkpoint | None,
    evidence: Evidence,
    *,
    settings: Settings,
    keep: Callable[[Checkpoint], None],
    put: Put,
    progress: Callable[[str], None] = lambda _stage: None,
) -> pl.DataFrame:
    """The `correction_state` that `analyse` gives, to the last bit, going on from an earlier run.

    Args:
        kept: What an earlier run gave; None: nothing.
        evidence: What is known now.
        settings: The user's settings.
        keep: Called with what the next run can go on from, as soon as that is known.
        put: Called with each of its large arrays as it comes.
        progress: Called with each stage's name as it begins.
    """
    progress("history")
    kept = kept if kept and kept.fits else None
    now = evidence.as_of.timestamp() / 86_400
    first = float(days(evidence.snapshots["read_at"]).min(initial=now))
    until = first + WEEK * weeks_to_keep(first, now)
    history, trace = learning_since(kept.trace if kept else Trace.empty(), evidence, until=until)
    progress("panels")
    family_panels = panels(evidence, history)
    progress("bands and drift")
    drift = straying_since(
        kept,
        family_panels,
        evidence=evidence,
        history=history,
        settings=settings,
        keep=lambda left: keep(replace(left, trace=trace)),
        put=put,
    )
    return drift.correction_state
