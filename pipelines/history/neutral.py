"""How far each reading's corrections have gone back to neutral together: the trace that a reset leaves.

In: the wide snapshots, one column a correction. Out: one score per reading. A correction speaks only where its level
was clearly away from neutral and at home, that is where it had long been: one that had strayed would also go back when
its cause is repaired. A value between that level and neutral speaks for a reset, one elsewhere against it.
"""

from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float32s, Float64s, Int64s

LEVEL_WEIGHT = 0.35  # of the newest reading in the level that a value is compared with
HOME_WEIGHT = 0.05  # of the newest reading in the level that is called home
STRAYED_SIGMAS = 3.0  # level this far from home: it has strayed, and does not speak
CLEAR_SIGMAS = 3.5  # level this far from neutral: the correction can speak; a step this far: it has spoken
MOST_SIGMAS = 4.0  # that one correction adds to a score
SCALE_SAMPLE = 20_000  # readings of a family from which the noise of a correction is taken


@dataclass(frozen=True, kw_only=True)
class BackToNeutral:
    """Evidence of a reset between each reading and the one before, [R] each.

    informative: corrections at home whose level was clearly away from neutral.
    back: those of them that went clearly towards neutral and not beyond.
    against: corrections that made as clear a step elsewhere.
    score: sum of the steps towards neutral over their noise, divided by the root of the informative count.
    """

    informative: Int64s
    back: Int64s
    against: Int64s
    score: Float64s


def back_to_neutral(rows: pl.DataFrame, evidence: Evidence, row_start: Int64s, begun: Bools) -> BackToNeutral:
    """Score every reading for a return of its corrections to neutral.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots (sorted by vehicle and time) and catalogue.
        row_start: [V + 1], rows of each vehicle.
        begun: [R], something that may reset happened before this reading: what came before is no home after it.
    """
    catalogue = evidence.corrections.filter(
        pl.col("neutral").is_not_null() & pl.col("code").is_in(evidence.snapshots.columns)
    ).select("code", "neutral", pl.col("resolution").fill_null(0.0))
    counts = np.zeros((3, rows.height), np.int64)
    total = np.zeros(rows.height)
    families, family = _families(rows)
    for code, neutral, resolution in catalogue.sort("code").iter_rows():
        values = evidence.snapshots[code].cast(pl.Float32).fill_null(np.nan).to_numpy()
        sigma = _noise(values, family, families, row_start, resolution)
        _score(row_start, values, sigma[family[row_start[:-1]]], neutral, resolution, begun, counts, total)
    informative, back, against = counts
    score = total / np.sqrt(np.maximum(informative, 1))
    return BackToNeutral(informative=informative, back=back, against=against, score=score)


def _families(rows: pl.DataFrame) -> tuple[int, Int64s]:
    ranks = rows["engine_family"].fill_null("").rank("dense").to_numpy().astype(np.int64) - 1
    return int(ranks.max(initial=-1)) + 1, ranks


def _noise(values: Float32s, family: Int64s, families: int, row_start: Int64s, resolution: float) -> Float64s:
    """[families] robust sd of one reading about its level, from successive differences; quantising added."""
    step = np.diff(values, prepend=np.float32(np.nan))
    step[row_start[:-1]] = np.nan
    known = np.flatnonzero(~np.isnan(step))
    sigma = np.full(families, np.nan)
    for f in range(families):
        mine = known[family[known] == f]
        if mine.size:
            sample = np.abs(step[mine[:: max(mine.size // SCALE_SAMPLE, 1)]])
            sigma[f] = np.median(sample) * 1.4826 / np.sqrt(2.0)
    combined: Float64s = np.sqrt(np.square(sigma) + resolution**2 / 12)
    return combined


@numba.njit(cache=True, nogil=True)
def _score(row_start, values, sigma, neutral, resolution, begun, counts, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """Add one correction's evidence to the counts (informative, back, against) and totals of all readings."""
    for v in range(row_start.size - 1):
        level, home, read, noise = np.nan, np.nan, 0.0, sigma[v]
        if not noise > 0.0:
            continue
        clear = CLEAR_SIGMAS * noise
        for r in range(row_start[v], row_start[v + 1]):
            value = values[r]
            if np.isnan(value):
                continue
            if read == 0.0:
                level, home = value, value
            away, back = abs(level - neutral), False
            at_home = abs(level - home) <= STRAYED_SIGMAS * noise
            towards = (level - value) * np.sign(level - neutral)
            if away >= clear + resolution and read > 0.0 and at_home:
                counts[0, r] += 1
                total[r] += min(max(towards / (noise * 1.41), -MOST_SIGMAS), MOST_SIGMAS)
                # A value between the grid's lines beside neutral is not a reset but a unit slip.
                off_grid = 1e-3 * resolution < abs(value - neutral) < 0.4 * resolution
                back = clear <= towards <= away + clear and not off_grid
                counts[1, r] += back
                counts[2, r] += not back and abs(towards) >= clear
            elif abs(value - level) >= clear + resolution and at_home:
                counts[2, r] += 1
            read = 1.0 if begun[r] else read + 1.0
            level = value if back or begun[r] else level + LEVEL_WEIGHT * (value - level)
            home += max(HOME_WEIGHT, 1.0 / read) * (value - home)
