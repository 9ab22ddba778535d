"""Stage `outliers`: drift in; each vehicle's outlier score, robust distance and reasons out; no file, no clock.

Reference vehicle-weeks are the last reading of each closed block of 28 days of each vehicle, unless an alarm stood that
did not end by itself, or it was certainly unlike its peers. Without the weeks of alarms that ended by themselves, which
healthy vehicles raise, the healthy would look more alike than they are. Blocks lie fixed in time, so that from one week
to the next the same forest judges.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

import numpy as np
import polars as pl

from pipelines.handover import Bools, Drift, Evidence, FamilyDrift, Float32s, Float64s, Int64s, Outliers
from pipelines.in_service import in_service
from pipelines.outliers.conformal import conformal_score
from pipelines.outliers.forest import Forest, anomaly, grow_forest, path_contributions, path_lengths
from pipelines.outliers.levels import PeerLevels, own_offsets, peer_levels
from pipelines.outliers.panel_rows import last_rows, reading_number, vehicle_of_row
from pipelines.outliers.reasons import correction_shares
from pipelines.outliers.summaries import (
    Scope,
    distance_score,
    largest_score,
    learn_scopes,
    squared_distance,
    summarise,
)
from pipelines.outliers.z_scores import Spread, learn_spread, z_scores
from pipelines.settings import Settings
from pipelines.threads import in_threads

BLOCK_DAYS = 28
FEWEST_READINGS = 4  # of a vehicle, before it is judged
FEWEST_REFERENCES = 400  # vehicle-weeks of a family, below which families are pooled; twice those of 99 and a spare
FEWEST_PEERS = 10  # vehicles of a family, below which families are pooled
CERTAIN = 6.0  # normal score of the largest departure from which on a vehicle-week is no reference: one in 10 ** 9
MOST_REFERENCES = 20_000
ROWS_AT_ONCE = 5_000


@dataclass(frozen=True, kw_only=True)
class Peers:
    """What one family's vehicles are held against.

    Attributes:
        own: Each vehicle's own level less its peers', sigmas, [R, C]; of a learned family's other vehicles: empty.
        levels: Of the peers.
        spread: How healthy vehicles spread.
        scopes: First all corrections, then groups of them, with what goes together in health.
        summaries: Of the reference vehicle-weeks, [m, 5], m at most 20,000.
        distances: Of the same, normal scores of the distance over all corrections, [m].
    """

    own: Float32s
    levels: PeerLevels
    spread: Spread
    scopes: tuple[Scope, ...]
    summaries: Float64s
    distances: Float64s


@dataclass(frozen=True, kw_only=True)
class Judge:
    """The forest and the reference figures that judge a family: its own, or pooled."""

    forest: Forest
    anomalies: Float64s
    distances: Float64s


NOTHING_KNOWN: Mapping[str, tuple[Peers, Judge]] = MappingProxyType({})  # no family was learned before: definition


def learn_peers(
    drift: Drift, *, evidence: Evidence, settings: Settings, known: Mapping[str, tuple[Peers, Judge]] = NOTHING_KNOWN
) -> dict[str, tuple[Peers, Judge]]:
    """By engine family with readings: its peers and what judges it.

    Args:
        drift: Of the families.
        evidence: Groups of corrections.
        settings: The seed of forests.
        known: What was learned of other vehicles; it holds for these families.
    """
    read = [family for family in drift.families if len(family.panel.read_at) and family.panel.codes]
    new = [family for family in read if family.panel.family not in known]
    groups = dict(evidence.corrections.select("code", pl.col("group").fill_null("other")).iter_rows())
    peers = [_learn(family, [groups.get(code, "other") for code in family.panel.codes], evidence) for family in new]
    judges = _judges(new, peers, seed=settings.seed) if new else []
    learned = {family.panel.family: pair for family, pair in zip(new, zip(peers, judges, strict=True), strict=True)}
    for family in read:
        if family.panel.family in known:
            its, judge = known[family.panel.family]
            learned[family.panel.family] = replace(its, own=own_offsets(family, its.levels)), judge
    return learned


def of_families(learned: Mapping[str, tuple[Peers, Judge]]) -> dict[str, tuple[Peers, Judge]]:
    """The same for other vehicles: without what is these vehicles' own."""
    return {name: (replace(peers, own=peers.own[:0]), judge) for name, (peers, judge) in learned.items()}


def unlike_peers(
    drift: Drift, *, evidence: Evidence, settings: Settings, learned: Mapping[str, tuple[Peers, Judge]] | None = None
) -> Outliers:
    """How unlike its peers each vehicle in service is, 0 to 1 and comparable across families, and in what.

    `score_rows` applies today's forest to past readings: what is odd is learned from all readings up to as_of,
    without any outcome, so it tells the forecast nothing of what came after.

    Args:
        drift: Of all families.
        evidence: Vehicles in service.
        settings: From which score on a vehicle is an outlier.
        learned: As `learn_peers` gives it of this drift; None: it is learned here.
    """
    places = [n for n, family in enumerate(drift.families) if len(family.panel.read_at) and family.panel.codes]
    families = [drift.families[place] for place in places]
    service = in_service(evidence.vehicles, evidence.as_of).select("vehicle_id", "engine_family")
    if not families:
        return _nothing_read(service)
    learned = learned or learn_peers(drift, evidence=evidence, settings=settings)
    peers, judges = zip(*(learned[family.panel.family] for family in families), strict=True)
    newest, reasons = [], []
    for family, its, judge in zip(families, peers, judges, strict=True):
        last = last_rows(family)
        scores, distances, squared = _scored(family, its, judge, last)
        newest.append(
            pl.DataFrame(
                {
                    "vehicle_id": np.array(family.panel.vehicles, dtype=object)[vehicle_of_row(family)[last]],
                    "outlier_score": scores,
                    "robust_distance": np.sqrt(squared),
                    "distance_score": distances,
                },
                schema_overrides={"vehicle_id": pl.String},
                nan_to_null=True,
            )
        )
        reasons.append(_reasons(family, its, judge, last[np.isfinite(scores)]))
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
        score_rows=partial(_score_rows, dict(zip(places, zip(families, peers, judges, strict=True), strict=True))),
    )


def _learn(family: FamilyDrift, groups: list[str], evidence: Evidence) -> Peers:
    """Spreads, correlation and reference figures; a second look leaves out who is certainly unlike the others.

    Spreads and correlation are those of weeks without any alarm.
    """
    levels = peer_levels(family)
    own = own_offsets(family, levels)
    vehicles = len(family.panel.vehicles)
    rows = _settled_rows(family, evidence)
    rows = rows[~_ill(family, rows)]
    calm = ~family.alarm[rows].any(axis=1)
    spread = learn_spread(*_apart(family, own, rows[calm]), vehicles=vehicles)
    standard = z_scores(*_apart(family, own, rows), family.relearning[rows], spread)
    rows = rows[_largest(standard) < CERTAIN]
    calm = ~family.alarm[rows].any(axis=1)
    spread = learn_spread(*_apart(family, own, rows[calm]), vehicles=vehicles)
    standard = z_scores(*_apart(family, own, rows), family.relearning[rows], spread)
    step = 1 + len(rows) // MOST_REFERENCES
    known = standard[calm][::step]
    scopes = learn_scopes(known, groups, vehicles=len(np.unique(vehicle_of_row(family)[rows[calm]])))
    thinned = standard[::step]
    distances, _ = _distance(thinned, scopes)
    return Peers(
        own=own,
        levels=levels,
        spread=spread,
        scopes=scopes,
        summaries=summarise(thinned, scopes).figures,
        distances=distances,
    )


def _ill(family: FamilyDrift, rows: Int64s) -> Bools:
    """[n] whether an alarm stands that has not ended by itself: it still stands, or a new epoch ended it."""
    panel, ill = family.panel, np.zeros(len(rows), dtype=np.bool_)
    last = np.zeros(len(panel.read_at), dtype=np.bool_)
    last[last_rows(family)] = True
    for c in range(len(panel.codes)):
        alarm, epoch = family.alarm[:, c], panel.epoch[:, c]
        on = np.flatnonzero(alarm[rows])
        ends = np.flatnonzero(alarm & (last | ~np.append(alarm[1:], False)))
        stands = last[ends] | (epoch[np.minimum(ends + 1, len(last) - 1)] != epoch[ends])
        ill[on] |= stands[np.searchsorted(ends, rows[on])]
    return ill


def _apart(family: FamilyDrift, own: Float32s, rows: Int64s) -> tuple[Float32s, Float32s, Float32s]:
    """Own level less the peers', deviation in the series' own sigmas, present level less the peers'; each [n, C]."""
    z = family.z[rows]
    return own[rows], z, own[rows] + z * family.scale[rows]


def _judges(families: list[FamilyDrift], peers: list[Peers], *, seed: int) -> list[Judge]:
    large = [
        len(family.panel.vehicles) >= FEWEST_PEERS and len(its.summaries) >= FEWEST_REFERENCES
        for family, its in zip(families, peers, strict=True)
    ]
    pooled = None
    if not all(large):
        together = np.concatenate([its.summaries for its in peers])
        pooled = _judge(together, np.concatenate([its.distances for its in peers]), seed=seed)
    return [
        _judge(its.summaries, its.distances, seed=seed) if alone or pooled is None else pooled
        for its, alone in zip(peers, large, strict=True)
    ]


def _judge(summaries: Float64s, distances: Float64s, *, seed: int) -> Judge:
    kept = slice(None, None, 1 + len(summaries) // MOST_REFERENCES)
    summaries, distances = summaries[kept], distances[kept]
    forest = grow_forest(summaries if len(summaries) > 1 else np.zeros((2, summaries.shape[1])), seed=seed)
    return Judge(forest=forest, anomalies=anomaly(forest, path_lengths(forest, summaries)), distances=distances)


def _largest(standard: Float64s) -> Float64s:
    read = np.isfinite(standard)
    return largest_score(np.abs(np.where(read, standard, 0.0)).max(axis=1), read.sum(axis=1))


def _distance(standard: Float64s, scopes: tuple[Scope, ...]) -> tuple[Float64s, Float64s]:
    """Normal score of the distance over all corrections, which compares across families; and the squared distance."""
    squared = squared_distance(np.where(np.isfinite(standard), standard, 0.0), scopes[0].precision)
    return distance_score(squared, np.isfinite(standard).sum(axis=1)), squared


def _scored(family: FamilyDrift, peers: Peers, judge: Judge, rows: Int64s) -> tuple[Float64s, Float64s, Float64s]:
    """Outlier score, distance score and squared distance of some rows, each [n]; NaN before the fourth reading."""
    scores, distances, squared = np.empty(len(rows)), np.empty(len(rows)), np.empty(len(rows))

    def score(start: int) -> None:
        part = slice(start, start + ROWS_AT_ONCE)
        some = rows[part]
        standard = z_scores(*_apart(family, peers.own, some), family.relearning[some], peers.spread)
        lengths = path_lengths(judge.forest, summarise(standard, peers.scopes).figures)
        scores[part] = conformal_score(anomaly(judge.forest, lengths), judge.anomalies)
        distance, squared[part] = _distance(standard, peers.scopes)
        distances[part] = conformal_score(distance, judge.distances)

    in_threads(score, range(0, len(rows), ROWS_AT_ONCE))
    early = reading_number(family)[rows] < FEWEST_READINGS
    for column in (scores, distances, squared):
        column[early] = np.nan
    return scores, distances, squared


def _score_rows(judged: dict[int, tuple[FamilyDrift, Peers, Judge]], place: int, rows: Int64s) -> Float64s:
    """`Outliers.score_rows`: 500 trees for every reading of a large fleet would take longer than all else here."""
    return _scored(*judged[place], rows)[0] if place in judged else np.full(len(rows), np.nan)


def _settled_rows(family: FamilyDrift, evidence: Evidence) -> Int64s:
    """Last reading of each closed block of each vehicle that was read often enough by then."""
    block = family.panel.read_at.astype("datetime64[D]").astype(np.int64) // BLOCK_DAYS
    today = np.datetime64(evidence.as_of.replace(tzinfo=None), "D").astype(np.int64) // BLOCK_DAYS
    closes = np.append(block[1:] != block[:-1], True)
    closes[last_rows(family)] = True
    return np.flatnonzero(closes & (block < today) & (reading_number(family) >= FEWEST_READINGS))


def _reasons(family: FamilyDrift, peers: Peers, judge: Judge, rows: Int64s) -> pl.DataFrame:
    standard = z_scores(*_apart(family, peers.own, rows), family.relearning[rows], peers.spread)
    summary = summarise(standard, peers.scopes)
    contributions = path_contributions(judge.forest, summary.figures)
    shares = correction_shares(standard, contributions, summary, peers.scopes)
    row, column = np.nonzero(shares)
    vehicle = vehicle_of_row(family)[rows[row]]
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
        score_rows=partial(_score_rows, {}),
    )
