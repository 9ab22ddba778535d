"""How far each reading's corrections have gone back to neutral together: the trace that a reset leaves.

In: the wide snapshots, one column a correction. Out: one score per reading, and which corrections went back.
A correction speaks only where its level was clearly away from neutral; a value between that level and neutral speaks
for a reset, one beyond either against it.
"""

from dataclasses import dataclass

import numba
import numpy as np
import polars as pl

from pipelines.handover import Bools, Evidence, Float64s, Int64s

LEVEL_WEIGHT = 0.35  # of the newest reading in the level that a value is compared with
CLEAR_SIGMAS = 3.5  # level this far from neutral: the correction can speak; a step this far: it has spoken
SCALE_SAMPLE = 20_000  # readings of a family from which the noise of a correction is taken


@dataclass(frozen=True, kw_only=True)
class BackToNeutral:
    """Evidence of a reset between each reading and the one before, [R] each; `moved` is [C, R].

    informative: corrections whose level was clearly away from neutral.
    back: those of them that went clearly towards neutral and not beyond.
    against: corrections that made as clear a step elsewhere.
    score: sum of the steps towards neutral over their noise, divided by the root of the informative count.
    """

    codes: tuple[str, ...]
    informative: Int64s
    back: Int64s
    against: Int64s
    score: Float64s
    moved: Bools


def back_to_neutral(rows: pl.DataFrame, evidence: Evidence, row_start: Int64s) -> BackToNeutral:
    """Score every reading for a return of its corrections to neutral.

    Args:
        rows: As `reading_rows` gives them, in the order of the snapshots.
        evidence: Its snapshots (sorted by vehicle and time) and catalogue.
        row_start: [V + 1], rows of each vehicle.
    """
    catalogue = evidence.corrections.filter(pl.col("neutral").is_not_null()).sort("code")
    catalogue = catalogue.filter(pl.col("code").is_in(evidence.snapshots.columns))
    count = rows.height
    informative, back, against = (np.zeros(count, np.int64) for _ in range(3))
    total = np.zeros(count)
    moved = np.zeros((catalogue.height, count), np.bool_)
    families, family = _families(rows)
    for index, (code, neutral, resolution) in enumerate(
        catalogue.select("code", "neutral", pl.col("resolution").fill_null(0.0)).iter_rows()
    ):
        values = evidence.snapshots[code].cast(pl.Float32).fill_null(np.nan).to_numpy()
        sigma = _noise(values, family, families, row_start, resolution)
        _score(
            row_start, values, sigma[family[row_start[:-1]]], neutral, resolution,
            informative, back, against, total, moved[index],
        )  # fmt: skip
    score = total / np.sqrt(np.maximum(informative, 1))
    return BackToNeutral(
        codes=tuple(catalogue["code"]), informative=informative, back=back, against=against, score=score, moved=moved
    )


def _families(rows: pl.DataFrame) -> tuple[int, Int64s]:
    ranks = rows["engine_family"].fill_null("").rank("dense").to_numpy().astype(np.int64) - 1
    return int(ranks.max(initial=-1)) + 1, ranks


def _noise(values: np.ndarray, family: Int64s, families: int, row_start: Int64s, resolution: float) -> Float64s:
    """[families] robust sd of one reading about its level, from successive differences; quantising added."""
    step = np.diff(values, prepend=np.float32(np.nan))
    step[row_start[:-1]] = np.nan
    sigma = np.full(families, np.nan)
    for f in range(families):
        known = np.abs(step[(family == f) & ~np.isnan(step)])
        sample = known[:: max(known.size // SCALE_SAMPLE, 1)]
        if sample.size:
            sigma[f] = np.median(sample) * 1.4826 / np.sqrt(2.0)
    combined: Float64s = np.sqrt(np.square(sigma) + resolution**2 / 12)
    return combined


@numba.njit(cache=True, nogil=True)
def _score(  # type: ignore[no-untyped-def]  # noqa: PLR0917
    row_start, values, sigma, neutral, resolution, informative, back, against, total, moved
):
    for v in range(row_start.size - 1):
        level, noise = np.nan, sigma[v]
        if not noise > 0.0:
            continue
        for r in range(row_start[v], row_start[v + 1]):
            value = values[r]
            if np.isnan(value):
                continue
            if np.isnan(level):
                level = value
                continue
            away = abs(level - neutral)
            towards = (level - value) * np.sign(level - neutral)
            clear = CLEAR_SIGMAS * noise
            if away >= clear + resolution:
                informative[r] += 1
                total[r] += min(max(towards / (noise * 1.41), -4.0), 4.0)
                off_grid = resolution > 0.0 and 1e-3 * resolution < abs(value - neutral) < 0.4 * resolution
                if towards >= clear and towards <= away + clear and not off_grid:
                    back[r] += 1
                    moved[r] = True
                elif abs(towards) >= clear:
                    against[r] += 1
            elif abs(value - level) >= clear + resolution:
                against[r] += 1
            level = value if moved[r] else level + LEVEL_WEIGHT * (value - level)
