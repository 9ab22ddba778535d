"""Stage `outliers`: drift in; each vehicle's outlier score, robust distance and reasons out; no file, no clock.

Reference vehicle-weeks are the last reading of each closed block of 28 days of each vehicle, unless something was
certainly wrong with it. Blocks lie fixed in time, so that from one week to the next the same forest judges.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float64s, Int64s, Outliers
from pipelines.in_service import in_service
from pipelines.outliers.conformal import conformal_score
from pipelines.outliers.forest import Forest, anomaly, grow_forest, path_contributions
from pipelines.outliers.reasons import correction_shares
from pipelines.outliers.summaries import Peers, distance_score, learn_peers, squared_distance, standardise, summarise
from pipelines.settings import Settings

BLOCK_DAYS = 28
FEWEST_READINGS = 4  # of a vehicle, before it is judged
FEWEST_REFERENCES = 400  # vehicle-weeks of a family, below which families are pooled; twice those of 99 and a spare
FEWEST_PEERS = 10  # vehicles of a family, below which families are pooled
CERTAIN_EVIDENCE = 3.0  # beyond the alarm threshold: one false alarm in 20 gets there (its tail is exponential)
MOST_REFERENCES = 20_000
ROWS_AT_ONCE = 50_000


@dataclass(frozen=True, kw_only=True)
class Judge:
    """What judges one family: its peers, the forest and the reference figures (its own, or pooled)."""

    peers: Peers
    forest: Forest
    anomalies: Float64s
    distances: Float64s


def unlike_peers(drift: Drift, *, evidence: Evidence, settings: Settings) -> Outliers:
    """How unlike its peers each vehicle in service is, 0 to 1 and comparable across families, and in what.

    `past_scores` applies today's forest to every past reading: what is odd is learned from all readings up to as_of,
    without any outcome, so it tells the forecast nothing of what came after.
    """
    families = [family for family in drift.families if len(family.panel.read_at) and family.panel.codes]
    service = in_service(evidence.vehicles, evidence.as_of).select("vehicle_id", "engine_family")
    if not families:
        return _nothing_read(service)
    groups = dict(evidence.corrections.select("code", pl.col("group").fill_null("other")).iter_rows())
    judges = _judges(families, groups, evidence=evidence, seed=settings.seed)
    newest, reasons, past = [], [], []
    for family, judge in zip(families, judges, strict=True):
        scores, distances, squared = _scored(family, judge)
        past.append(_past_frame(family, scores))
        last = _last_rows(family)
        newest.append(
            pl.DataFrame(
                {
                    "vehicle_id": np.array(family.panel.vehicles, dtype=object)[_vehicle_of_row(family)[last]],
                    "outlier_score": scores[last],
                    "robust_distance": np.sqrt(squared[last]),
                    "distance_score": distances[last],
                },
                schema_overrides={"vehicle_id": pl.String},
                nan_to_null=True,
            )
        )
        reasons.append(_reasons(family, judge, last[np.isfinite(scores[last])]))
    scores_now = (
        service.select("vehicle_id")
        .join(pl.concat(newest), on="vehicle_id", how="left", maintain_order="left")
        .with_columns(is_outlier=(pl.col("outlier_score") >= 1 - settings.false_outlier_share).fill_null(value=False))
        .select("vehicle_id", "outlier_score", "is_outlier", "robust_distance", "distance_score")
    )
    return Outliers(
        scores=scores_now,
        reasons=pl.concat(reasons)
        .join(service, on="vehicle_id", how="semi")
        .sort("vehicle_id", "share", "correction", descending=[False, True, False]),
        past_scores=pl.concat(past).sort("vehicle_id", "read_at"),
    )


def _judges(families: list[FamilyDrift], groups: dict[str, str], *, evidence: Evidence, seed: int) -> Iterator[Judge]:
    references = [_reference_rows(family, evidence) for family in families]
    peers = [
        learn_peers(
            family.z[rows].astype(np.float64),
            [groups.get(code, "other") for code in family.panel.codes],
            vehicles=len(np.unique(_vehicle_of_row(family)[rows])),
            everyone=family.z[_settled_rows(family, evidence)].astype(np.float64),
        )
        for family, rows in zip(families, references, strict=True)
    ]
    pool: dict[int, tuple[Float64s, Float64s]] = {}  # number of summaries -> summaries, squared distances
    own = []
    for family, rows, its_peers in zip(families, references, peers, strict=True):
        standard = standardise(family.z[rows], its_peers)
        own.append((summarise(standard, its_peers), _distance(standard, its_peers)))
        width = own[-1][0].shape[1]
        before = pool.get(width, (np.empty((0, width)), np.empty(0)))
        pool[width] = (np.vstack([before[0], own[-1][0]]), np.concatenate([before[1], own[-1][1]]))
    pooled: dict[int, Judge] = {}
    for family, its_peers, (summaries, distances) in zip(families, peers, own, strict=True):
        width = summaries.shape[1]
        if len(family.panel.vehicles) >= FEWEST_PEERS and len(summaries) >= FEWEST_REFERENCES:
            yield _judge(its_peers, summaries, distances, seed=seed)
            continue
        if width not in pooled:
            pooled[width] = _judge(its_peers, *pool[width], seed=seed)
        judge = pooled[width]
        yield Judge(peers=its_peers, forest=judge.forest, anomalies=judge.anomalies, distances=judge.distances)


def _judge(peers: Peers, summaries: Float64s, distances: Float64s, *, seed: int) -> Judge:
    kept = slice(None, None, 1 + len(summaries) // MOST_REFERENCES)
    summaries, distances = summaries[kept], distances[kept]
    if not len(summaries):
        summaries, distances = np.zeros((2, summaries.shape[1])), np.zeros(0)
    forest = grow_forest(summaries, seed=seed)
    anomalies = anomaly(forest, path_contributions(forest, summaries))
    return Judge(peers=peers, forest=forest, anomalies=anomalies[: len(distances)], distances=distances)


def _distance(standard: Float64s, peers: Peers) -> Float64s:
    """Normal score of the distance over all corrections: it compares across families of other corrections."""
    squared = squared_distance(np.where(np.isfinite(standard), standard, 0.0), peers.scopes[0].precision)
    return distance_score(squared, np.isfinite(standard).sum(axis=1))


def _scored(family: FamilyDrift, judge: Judge) -> tuple[Float64s, Float64s, Float64s]:
    """Outlier score, distance score and squared distance of every row, [R]; NaN before the fourth reading."""
    rows = len(family.panel.read_at)
    scores, distances, squared = np.empty(rows), np.empty(rows), np.empty(rows)
    for start in range(0, rows, ROWS_AT_ONCE):
        part = slice(start, start + ROWS_AT_ONCE)
        standard = standardise(family.z[part], judge.peers)
        filled = np.where(np.isfinite(standard), standard, 0.0)
        measure = anomaly(judge.forest, path_contributions(judge.forest, summarise(standard, judge.peers)))
        scores[part] = conformal_score(measure, judge.anomalies)
        squared[part] = squared_distance(filled, judge.peers.scopes[0].precision)
        distances[part] = conformal_score(
            distance_score(squared[part], np.isfinite(standard).sum(axis=1)), judge.distances
        )
    early = _reading_number(family) < FEWEST_READINGS
    for column in (scores, distances, squared):
        column[early] = np.nan
    return scores, distances, squared


def _reference_rows(family: FamilyDrift, evidence: Evidence) -> Int64s:
    settled = _settled_rows(family, evidence)
    certain = np.nan_to_num(family.evidence[settled] - family.threshold, nan=-np.inf).max(axis=1) > CERTAIN_EVIDENCE
    quiet = ~certain & ~family.relearning[settled].any(axis=1)
    enough: Bools = quiet if quiet.sum() >= FEWEST_REFERENCES else ~certain
    return settled[enough]


def _settled_rows(family: FamilyDrift, evidence: Evidence) -> Int64s:
    """Last reading of each closed block of each vehicle that was read often enough by then."""
    block = _blocks(family)
    today = np.datetime64(evidence.as_of.replace(tzinfo=None), "D").astype(np.int64) // BLOCK_DAYS
    closes = np.append(block[1:] != block[:-1], True)
    closes[_last_rows(family)] = True
    return np.flatnonzero(closes & (block < today) & (_reading_number(family) >= FEWEST_READINGS))


def _blocks(family: FamilyDrift) -> Int64s:
    blocks: Int64s = family.panel.read_at.astype("datetime64[D]").astype(np.int64) // BLOCK_DAYS
    return blocks


def _last_rows(family: FamilyDrift) -> Int64s:
    starts = family.panel.row_start
    return starts[1:][np.diff(starts) > 0] - 1


def _vehicle_of_row(family: FamilyDrift) -> Int64s:
    return np.repeat(np.arange(len(family.panel.vehicles)), np.diff(family.panel.row_start))


def _reading_number(family: FamilyDrift) -> Int64s:
    """Counts each vehicle's readings from 1."""
    return np.arange(len(family.panel.read_at)) - family.panel.row_start[_vehicle_of_row(family)] + 1


def _past_frame(family: FamilyDrift, scores: Float64s) -> pl.DataFrame:
    ids = pl.Series(family.panel.vehicles, dtype=pl.String).gather(_vehicle_of_row(family))
    read_at = pl.Series(family.panel.read_at).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    return pl.DataFrame({"vehicle_id": ids, "read_at": read_at, "outlier_score": pl.Series(scores).fill_nan(None)})


def _reasons(family: FamilyDrift, judge: Judge, rows: Int64s) -> pl.DataFrame:
    standard = standardise(family.z[rows], judge.peers)
    contributions = path_contributions(judge.forest, summarise(standard, judge.peers))
    shares = correction_shares(standard, contributions, judge.peers)
    row, column = np.nonzero(shares)
    vehicle = _vehicle_of_row(family)[rows[row]]
    return pl.DataFrame(
        {
            "vehicle_id": pl.Series(family.panel.vehicles, dtype=pl.String).gather(vehicle),
            "correction": pl.Series(family.panel.codes, dtype=pl.String).gather(column),
            "share": shares[row, column],
        }
    )


def _nothing_read(service: pl.DataFrame) -> Outliers:
    scores = service.select(
        "vehicle_id",
        outlier_score=pl.lit(None, pl.Float64),
        is_outlier=pl.lit(value=False),
        robust_distance=pl.lit(None, pl.Float64),
        distance_score=pl.lit(None, pl.Float64),
    )
    return Outliers(
        scores=scores,
        reasons=pl.DataFrame(schema={"vehicle_id": pl.String, "correction": pl.String, "share": pl.Float64}),
        past_scores=pl.DataFrame(
            schema={"vehicle_id": pl.String, "read_at": pl.Datetime("us", "UTC"), "outlier_score": pl.Float64}
        ),
    )
