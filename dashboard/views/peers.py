"""Who is unlike its peers, in what, and where the two ways of telling disagree."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.joined import Choice, with_catalogue, with_vehicles
from dashboard.views.wording import count, listed, number, percent, sentence

BOTH, FOREST, DISTANCE, NEITHER = "■ By both", "▲ By the forest only", "◆ By the distance only", "● By neither"
AGREEMENTS = (BOTH, FOREST, DISTANCE, NEITHER)  # as the table and the chart show them
SAID_FROM = 0.05  # share of a score from which a correction is named
MOST_NAMED = 3


@dataclass(frozen=True, kw_only=True)
class PeersView:
    """The page: sentences, and one row a vehicle, most unlike first."""

    sentence: str
    disagreement: str
    rows: pl.DataFrame
    empty_reason: str = ""


@dataclass(frozen=True, kw_only=True)
class PeersTables:
    """Published tables of one as_of, with the fleet's vehicles and the catalogue.

    Attributes:
        outlier_check: `vehicle_id, outlier_score` (0-1), `is_outlier, robust_distance, distance_score` (0-1).
        outlier_reason: The contract's.
        vehicles: The drop table.
        corrections: The catalogue.
    """

    outlier_check: pl.DataFrame
    outlier_reason: pl.DataFrame
    vehicles: pl.DataFrame
    corrections: pl.DataFrame


def peers(tables: PeersTables, *, choice: Choice, false_outlier_share: float | None) -> PeersView:
    """Every vehicle judged, with what sets it apart and whether forest and distance agree.

    Args:
        tables: Of one as_of.
        choice: Depots and engine families to keep.
        false_outlier_share: Share of healthy vehicle-weeks that the setting lets be called outliers; None: not known.
    """
    if not tables.outlier_check.width:
        return PeersView(sentence="", disagreement="", rows=pl.DataFrame(), empty_reason="Nothing was compared yet.")
    fleet = choice.of(with_vehicles(tables.outlier_check, tables.vehicles), "depot", "engine_family")
    judged = fleet.drop_nulls("outlier_score")
    rows = (
        judged.with_columns(agreement=_agreement(judged, false_outlier_share))
        .join(_reasons(tables), on="vehicle_id", how="left", maintain_order="left")
        .sort("outlier_score", "robust_distance", "vehicle_id", descending=[True, True, False], nulls_last=True)
    )
    return PeersView(
        sentence=_sentence(fleet, judged, false_outlier_share),
        disagreement=_disagreement(rows),
        rows=rows,
        empty_reason="" if rows.height else "No vehicle was read often enough to compare it with its peers.",
    )


def _agreement(judged: pl.DataFrame, share: float | None) -> pl.Series:
    """Which of the two call each vehicle an outlier, by the same share of false ones."""
    line = 1 - share if share is not None else judged.filter("is_outlier").get_column("outlier_score").min()
    far = pl.lit(value=False) if line is None else (pl.col("distance_score") >= line).fill_null(value=False)
    forest = pl.col("is_outlier")
    named = (
        pl.when(forest & far)
        .then(pl.lit(BOTH))
        .when(forest)
        .then(pl.lit(FOREST))
        .when(far)
        .then(pl.lit(DISTANCE))
        .otherwise(pl.lit(NEITHER))
    )
    return judged.select(agreement=named).get_column("agreement")


def _reasons(tables: PeersTables) -> pl.DataFrame:
    """One row a vehicle: the corrections that set it apart, with their shares, in words."""
    named = (
        with_catalogue(tables.outlier_reason.filter(pl.col("share") >= SAID_FROM), tables.corrections)
        .sort("vehicle_id", "share", "correction", descending=[False, True, False])
        .group_by("vehicle_id", maintain_order=True)
        .agg(pl.col("title").head(MOST_NAMED), pl.col("share").head(MOST_NAMED))
    )
    said = [reason_words(zip(row["title"], row["share"], strict=True)) for row in named.to_dicts()]
    return named.select("vehicle_id", reasons=pl.Series(said, dtype=pl.String))


def reason_words(reasons: Any) -> str:
    """'Idle trim (62 %) and idle air (20 %)', from pairs of title and share."""
    return listed(f"{title} ({percent(share)})" for title, share in reasons)


def _sentence(fleet: pl.DataFrame, judged: pl.DataFrame, share: float | None) -> str:
    outliers = judged.filter("is_outlier").height
    one = outliers < 2
    said = (
        f"{f'{outliers:,}' if outliers else 'None'} of {count(judged.height, 'vehicle')} {'is' if one else 'are'} "
        f"unlike {'its' if one else 'their'} peers."
    )
    if share is not None and judged.height:
        chance = share * judged.height
        said += f" By chance alone {f'about {number(chance)}' if chance >= 1 else 'fewer than one'} would be called so."
    unread = fleet.height - judged.height
    return said + (f" {count(unread, 'vehicle').capitalize()} had too few readings to be compared." if unread else "")


def _disagreement(rows: pl.DataFrame) -> str:
    counts: Mapping[str, int] = dict(rows.group_by("agreement").len().iter_rows())
    forest, distance = counts.get(FOREST, 0), counts.get(DISTANCE, 0)
    if not forest and not distance:
        return "Forest and distance call the same vehicles outliers."
    parts = [
        f"{count(many, 'vehicle')} {'is' if many == 1 else 'are'} called {'an outlier' if many == 1 else 'outliers'} "
        f"by {which} only"
        for many, which in ((forest, "the isolation forest"), (distance, "the robust distance"))
        if many
    ]
    return (
        f"{sentence(listed(parts))}. The forest sees odd mixtures of corrections, the distance sees what breaks the "
        "way corrections usually move together; look at both before dismissing either."
    )
