"""False alarms with dirt and without it, on the same vehicles: of corrections that are well by the truth."""

import numpy as np
import polars as pl
from drift_promise import Truth, Watched

from pipelines.handover import Drift

DRAWS = 2000


def false_alarms(drift: Drift, truths: dict[str, Truth], vehicles: list[str]) -> np.ndarray:
    """[V] vehicle alarms of each of the vehicles whose corrections in alarm are all well at that reading."""
    alarms = Watched.of(drift, truths, name="").alarms.filter(pl.col("kind") == "null", pl.col("counted"))
    counts = dict(alarms.group_by("vehicle_id").len().iter_rows())
    return np.array([counts.get(name, 0) for name in vehicles])


def paired(what: str, clean: np.ndarray, dirty: np.ndarray) -> str:
    """How many with the dirt over how many without it, with a 95 % interval by resampling vehicles."""
    draws = np.random.default_rng(1).integers(0, len(clean), (DRAWS, len(clean)))
    low, high = np.quantile(dirty[draws].sum(axis=1) / np.maximum(clean[draws].sum(axis=1), 1), [0.025, 0.975])
    ratio = dirty.sum() / max(clean.sum(), 1)
    counts = f"{clean.sum()} without and {dirty.sum()} with the dirt on {len(clean)} vehicles"
    return f"false alarms, {what}: {counts}: {ratio:.3f} ({low:.3f} to {high:.3f}) (wished: 1.0, at most 1.15)"
