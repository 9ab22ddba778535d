"""Evidence across corrections: where several move together, the one that shows most is judged by what all say.

The sequential test runs on the innovations of each direction as on one more series, with its share of the promise.
Where it stands above its threshold while none of the direction's corrections alarms, the one with most evidence of its
own may: it needs `LEAST_OWN` of the threshold there (`verdict`).
"""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipelines.bands.normal import NOISE, SCORES
from pipelines.drift.carry_over import MOVED
from pipelines.drift.directions import Direction, combined
from pipelines.drift.family_run import FamilyRun
from pipelines.drift.readings import run_filter
from pipelines.drift.series import JOINED, Healthy, Output, Rows
from pipelines.drift.verdict import LEAST_OWN
from pipelines.handover import Int32s, Int64s, Panel

MOVES_TOO = 0.5  # own evidence from which a correction is said to move with another: one sd; judgement
NOTHING_CARRIED = (0.0, 0.0, 1.0)  # of `MOVED`: where a direction begins anew, nothing of before holds; definition
# Of `NOISE`: normal, without memory, about a level that is known: 0; derived.
NOISE_OF_SCORES = (1.0, 1e-3, 0.0, 0.0, 1e-3, 0.0, 0.0)
TABLE: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle_id": pl.String, "correction": pl.String, "read_at": pl.Datetime("us", "UTC"), "evidence": pl.Float64,
    "others": pl.String,
}  # fmt: skip


def joined(run: FamilyRun, d: int) -> np.ndarray:
    """[n] of `JOINED`: what direction d of a family says at the rows that are computed, and before.

    The rows of z in the run's `drift` hold normal scores by now.
    """
    direction, span, drift = run.directions[d], run.span, run.drift
    members, series_of = direction.members, len(run.panel.codes) + d
    scores = np.where(drift.relearning.T[members], np.nan, drift.z.T[members])
    turns = _turns(run, members, run.start.turns(d))
    rows = _rows(combined(direction, scores, span.stretch.times.block), turns, span.stretch.times.day)
    healthy = Healthy(
        np.array([NOISE_OF_SCORES], dtype=NOISE), SCORES[None].copy(), np.array([np.inf]), 0.0, np.nan, np.nan, 0.0
    )
    numbers, flags = np.full((5, len(turns)), np.nan, np.float32), np.zeros((2, len(turns)), np.bool_)
    output = Output(*numbers, *flags)
    series, onsets = run.start.series(series_of)
    for leg in run.legs:
        onsets = run_filter(
            rows, healthy, first=leg.first, last=leg.last, series=series, onsets=onsets, output=output,
            keep=leg.is_kept,
        )  # fmt: skip
        leg.keep_series(series_of, f"direction {d}", series, onsets)
    every = np.concatenate([run.start.joined(d), _led(run, d, output)])
    for leg in run.legs:
        leg.keep_direction(d, np.where(leg.last > span.panel.row_start[:-1], turns[leg.last - 1], 0), every)
    return every


def _turns(run: FamilyRun, members: Int64s, before: Int32s) -> Int32s:
    """[R] how often a direction began anew: with an epoch of one of its members, and when an alarm of one ended."""
    panel, alarm = run.span.panel, run.drift.alarm.T[members]
    epoch, start = panel.epoch.T[members], panel.row_start
    anew = np.zeros(len(panel.read_at), dtype=np.bool_)
    anew[1:] = ((epoch[:, 1:] != epoch[:, :-1]) | (alarm[:, :-1] & ~alarm[:, 1:])).any(axis=0)
    anew[start[:-1][np.diff(start) > 0]] = False
    count = np.cumsum(anew)
    before_vehicle = np.append(count, 0)[np.minimum(start[:-1], len(count))]
    return (count - np.repeat(before_vehicle - before, np.diff(start))).astype(np.int32)


def _rows(value: np.ndarray, epoch: Int32s, day: np.ndarray) -> Rows:
    count = len(value)
    none, flag = np.zeros(count), np.zeros(count, dtype=np.bool_)
    return Rows(
        value=value, base=none, base_var=none, scale=np.ones(count), epoch=epoch, day=day,
        change=np.full(count, -1, dtype=np.int32), moved=np.full(count, np.array(NOTHING_CARRIED, dtype=MOVED)),
        hours=np.full(count, np.nan), block=np.zeros(count, dtype=np.int32), coded=flag, worked=flag, joined=flag,
        stood=flag, jumps=none,
    )  # fmt: skip


def _led(run: FamilyRun, d: int, output: Output) -> np.ndarray:
    """[n] of `JOINED`: the correction that leads where the direction's evidence asks for an alarm."""
    direction, span, drift = run.directions[d], run.span, run.drift
    members = direction.members
    with np.errstate(invalid="ignore"):
        clear = output.evidence > run.bands.threshold[span.stretch.times.block]
    rows = np.flatnonzero(clear & np.isfinite(output.score))  # else it is what was said before
    rows = rows[~drift.alarm.T[members][:, rows].any(axis=0)]
    side = np.sign(direction.pattern)[:, None] * np.sign(output.deviation[rows])
    agrees = (np.sign(drift.deviation.T[members][:, rows]) * side > 0) & ~drift.relearning.T[members][:, rows]
    evidence = np.where(agrees, np.nan_to_num(drift.evidence.T[members][:, rows]), 0.0)
    lead = evidence.argmax(axis=0)
    limit = run.bands.threshold[span.stretch.times.block[rows]]
    asked = evidence[lead, np.arange(len(rows))] > LEAST_OWN * limit
    rows, lead, evidence = rows[asked], lead[asked], evidence[:, asked]
    led = np.zeros(len(rows), dtype=JOINED)
    led["correction"], led["vehicle"] = members[lead], span.vehicle[rows]
    begin = span.stretch.begin - run.panel.row_start[:-1] - span.panel.row_start[:-1]
    led["row"], led["direction"] = rows + begin[led["vehicle"]], d
    led["evidence"] = output.evidence[rows]
    moving = (evidence > MOVES_TOO) & (np.arange(len(members))[:, None] != lead)
    led["others"] = (moving * (np.uint64(1) << np.arange(len(members), dtype=np.uint64))[:, None]).sum(axis=0)
    return led


def strongest(by_direction: Sequence[np.ndarray]) -> np.ndarray:
    """[n] of `JOINED`, by correction, vehicle and row; of several directions the one with most evidence."""
    every = np.concatenate([np.zeros(0, dtype=JOINED), *by_direction])
    every = every[
        np.lexsort((every["direction"], -every["evidence"], every["row"], every["vehicle"], every["correction"]))
    ]
    place = np.stack([every[name] for name in ("correction", "vehicle", "row")])
    first = np.ones(len(every), dtype=np.bool_)
    first[1:] = (place[:, 1:] != place[:, :-1]).any(axis=0)
    return every[first]


def rows_of(every: np.ndarray, panel: Panel) -> dict[str, Int64s]:
    """What `Panel.joined` says: by correction, the rows of the panel."""
    rows = panel.row_start[every["vehicle"]] + every["row"]
    return {panel.codes[c]: rows[every["correction"] == c] for c in np.unique(every["correction"])}


def joined_table(panel: Panel, every: np.ndarray, directions: Sequence[Direction]) -> pl.DataFrame:
    """`drift_joined`: every reading at which others bore a change out, and which of them, parted by |."""
    codes = np.array(panel.codes, dtype=object)
    others = [
        "|".join(codes[directions[d].members[[m for m in range(len(directions[d].members)) if int(bits) >> m & 1]]])
        for d, bits in zip(every["direction"], every["others"], strict=True)
    ]
    read_at = panel.read_at[panel.row_start[every["vehicle"]] + every["row"]].astype("datetime64[us]")
    return pl.DataFrame(
        {
            "vehicle_id": [panel.vehicles[v] for v in every["vehicle"]],
            "correction": [panel.codes[c] for c in every["correction"]],
            "read_at": pl.Series(read_at).dt.replace_time_zone("UTC"),
            "evidence": every["evidence"],
            "others": others,
        },
        schema=TABLE,
    )
