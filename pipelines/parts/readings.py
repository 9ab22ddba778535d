"""Where the readings of a part come from: this process, or a store that whoever works on the part reads by path."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from pipelines.handover import Evidence, HeldReadings, WholeFleet
from pipelines.held.judged import Judged
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store


class EvidenceSource(Protocol):
    """Gives the evidence of some vehicles; it is small, and travels to where a part is worked on."""

    def for_part(self, vehicle_ids: Sequence[str]) -> "EvidenceSource":
        """As much of it as a part of these vehicles needs."""

    def of(self, vehicle_ids: Sequence[str], whole: WholeFleet | None) -> Evidence:
        """What is known of these vehicles; `whole`: of the fleet that they are a part of, None: they are all."""


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """The evidence of all vehicles, in this process."""

    evidence: Evidence

    def for_part(self, vehicle_ids: Sequence[str]) -> "Loaded":  # noqa: ARG002 (nothing travels)
        """All of it."""
        return self

    def of(self, vehicle_ids: Sequence[str], whole: WholeFleet | None) -> Evidence:
        """Rows of these vehicles."""
        if whole is None:
            return self.evidence
        ours = pl.DataFrame({"vehicle_id": vehicle_ids}, schema={"vehicle_id": pl.String})
        own: dict[str, Any] = {
            each.name: frame.join(ours, on="vehicle_id", how="semi", maintain_order="left")
            for each in fields(Evidence)
            if isinstance(frame := getattr(self.evidence, each.name), pl.DataFrame)
            and "vehicle_id" in frame.columns
            and each.name not in OF_ALL
        }
        for name in ("snapshots", "faults"):
            own[name] = _without_unread(own[name], self.evidence.corrections["code"].to_list())
        held = HeldReadings.none().having(self.evidence.held, vehicle_ids)
        return replace(self.evidence, **own, held=held, whole=whole)


@dataclass(frozen=True, kw_only=True)
class InStore:
    """A store by its path, read as of a time, and what was judged among all vehicles."""

    path: Path
    as_of: datetime
    known_at: datetime | None
    judged: Judged

    def for_part(self, vehicle_ids: Sequence[str]) -> "InStore":
        """With what was judged of these vehicles."""
        return replace(self, judged=self.judged.of(vehicle_ids))

    def of(self, vehicle_ids: Sequence[str], whole: WholeFleet | None) -> Evidence:
        """Read by whoever works on the part."""
        evidence = read_evidence(
            Store(self.path), as_of=self.as_of, known_at=self.known_at, vehicle_ids=vehicle_ids, judged=self.judged
        )
        return replace(evidence, whole=whole)


OF_ALL = ("entries", "moves")  # frames that are read whole, and few: definition


def _without_unread(frame: pl.DataFrame, codes: list[str]) -> pl.DataFrame:
    """Without columns of corrections and of freeze frames that nobody here read."""
    asked = [name for name in frame.columns if name in codes or name.startswith("ff_")]
    return frame.drop(name for name in asked if frame[name].null_count() == frame.height)
