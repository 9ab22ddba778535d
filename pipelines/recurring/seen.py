"""What the readings of some vehicles say for what is compared later: drift in, small frames out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from types import MappingProxyType

import polars as pl

from pipelines.handover import Drift, Evidence, Float64s, History
from pipelines.recurring.could_have import read_of
from pipelines.recurring.events import drifts_of
from pipelines.recurring.modules import begun_with
from pipelines.recurring.repairs import repair_outcomes


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Of some vehicles, or of all.

    repair_outcome: The contract's table. drifts: From `drifts_of`. read: From `read_of`. begun: From `begun_with`.
    """

    repair_outcome: pl.DataFrame
    drifts: pl.DataFrame
    read: pl.DataFrame
    begun: pl.DataFrame

    @classmethod
    def of(
        cls, drift: Drift, *, evidence: Evidence, history: History, noise: Mapping[str, Float64s] = MappingProxyType({})
    ) -> "Seen":
        """Of the vehicles at hand; `noise`: as for `repair_outcomes`."""
        return cls(
            repair_outcome=repair_outcomes(drift, evidence=evidence, history=history, noise=noise),
            drifts=drifts_of(drift),
            read=read_of(drift),
            begun=begun_with(drift, evidence=evidence, history=history),
        )

    @classmethod
    def together(cls, parts: "Sequence[Seen]") -> "Seen":
        """Of the vehicles of all parts."""
        every = {each.name: pl.concat([getattr(part, each.name) for part in parts]) for each in fields(cls)}
        read = every["read"].group_by("engine_family", "correction", maintain_order=True).agg(pl.col("is_read").any())
        outcome = every["repair_outcome"].sort("vehicle_id", "done_at", "component")
        return cls(**{**every, "read": read, "repair_outcome": outcome})
