"""What holds on any record: nothing looks ahead; and the run-to-failure engines, none of them healthy."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from drift_simulated import Simulated, keys_of
from drift_table import Line, share_interval

from pipelines.bands.panel import panels
from pipelines.drift.stage import straying
from pipelines.handover import Drift, Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store

TIMES = {"snapshots": "read_at", "faults": "read_at", "work": "done_at", "notes": "at"}
CYCLES_LEFT = ((0, 10), (10, 20), (20, 30), (30, 50), (50, 75), (75, 100), (100, 125), (125, 150), (150, 400))
DATES = ("60th day", 60), ("150th day", 150), ("210th day", 210), ("300th day", 300), ("500th day", 500)


def ahead_lines(fleet: Simulated) -> Iterator[Line]:
    """What deleting every later row changes: in the published table, and in the arrays that publishes come from."""
    full = fleet.evidence
    whole = fleet.drift(Settings().false_alarms_per_vehicle_year)
    first = full.snapshots["read_at"].min()
    for name, day in DATES:
        as_of = first + timedelta(days=day)
        if as_of >= full.as_of:
            continue
        asked = _drift(read_evidence(Store(fleet.folder / "store"), as_of=as_of))
        deleted = _drift(_deleted(full, as_of))
        cells = asked.correction_state.height
        same = _same(asked.correction_state, deleted.correction_state)
        yield Line(
            measure="look-ahead: cells changed",
            of=f"published as of the {name}",
            n=cells,
            value=cells - same,
            at_most=0,
        )
        rows, alarms, evidence = _arrays(whole, asked)
        of = f"arrays up to the {name} against the whole"
        yield Line(measure="  alarms that differ", of=of, n=rows, value=alarms, at_most=0)
        yield Line(measure="  largest change of evidence", of=of, n=rows, value=evidence, at_most=1e-6)


def _drift(evidence: Evidence) -> Drift:
    history = reconstruct(evidence)
    return straying(panels(evidence, history), evidence=evidence, history=history, settings=Settings())


def _deleted(evidence: Evidence, as_of: datetime) -> Evidence:
    kept = {name: getattr(evidence, name).filter(pl.col(time) <= as_of) for name, time in TIMES.items()}
    read = [name for name in evidence.corrections["code"] if name in kept["snapshots"].columns]
    empty = [name for name in read if kept["snapshots"][name].is_null().all()]
    return replace(evidence, as_of=as_of, **{**kept, "snapshots": kept["snapshots"].drop(empty)})


def _same(one: pl.DataFrame, other: pl.DataFrame) -> int:
    """Rows that are equal in both."""
    return one.join(other, on=one.columns, how="semi", nulls_equal=True).height


def _arrays(whole: Drift, part: Drift) -> tuple[int, int, float]:
    """Values of `part`, how many of its alarms the whole has otherwise, and the largest difference of the evidence."""
    later = {family.panel.family: family for family in whole.families}
    count, alarms, evidence = 0, 0, 0.0
    for family in part.families:
        other = later[family.panel.family]
        place = keys_of(other.panel).rename({"row": "there"})
        rows = (
            keys_of(family.panel).join(place, on=["vehicle_id", "read_at"], maintain_order="left")["there"].to_numpy()
        )
        for c, code in enumerate(family.panel.codes):
            there = other.panel.codes.index(code)
            count += len(rows)
            alarms += int((family.alarm[:, c] != other.alarm[rows, there]).sum())
            apart = np.abs(family.evidence[:, c] - other.evidence[rows, there])
            evidence = max(evidence, float(np.nanmax(apart, initial=0.0)))
    return count, alarms, evidence


def turbofan_lines(drops: Path, folder: Path) -> Iterator[Line]:
    """Share of readings with an alarm, by the cycles that the engine had left; engines run to failure, unrepaired."""
    store = Store(folder / "turbofan.store")
    load(store, [drops])
    drift = _drift(read_evidence(store))
    for family in drift.families:
        start = family.panel.row_start
        left = np.concatenate([np.arange(n)[::-1] for n in np.diff(start)])
        on = family.alarm.any(axis=1)
        for low, high in CYCLES_LEFT:
            rows = (left >= low) & (left < high)
            bounds = share_interval(int(on[rows].sum()), int(rows.sum()))
            yield Line(
                measure="turbofan: share in alarm", of=f"{low} to {high - 1} cycles left", n=int(rows.sum()),
                value=float(on[rows].mean()), low=bounds[0], high=bounds[1],
            )  # fmt: skip
        early = [
            n - int(np.argmax(on[a : a + n]))
            for a, n in zip(start[:-1], np.diff(start), strict=True)
            if on[a : a + n].any()
        ]
        yield Line(
            measure="  cycles left at first alarm", of="median of engines", n=len(early), value=float(np.median(early))
        )
