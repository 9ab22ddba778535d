"""Two groups of vehicles held against each other in one correction: the difference in time, with its interval."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import binom

from dashboard.views.before_after import LEAST_PEERS, LEAST_VEHICLES, SURE, median_interval
from dashboard.views.joined import in_kind_of
from dashboard.views.trends import can_have
from dashboard.views.wording import NO_BREAK, Reader, amount, count, sentence, signed, unit_word

PERIOD_WEEKS = 4  # readings of one vehicle that are taken together (judgement: a round of readings a month at least)
PERIODS = pl.Schema(
    {
        "from": pl.Datetime("us", "UTC"),
        "difference": pl.Float64(),
        "low": pl.Float64(),
        "high": pl.Float64(),
        "first_vehicles": pl.Int64(),
        "second_vehicles": pl.Int64(),
        "first_median": pl.Float64(),
        "second_median": pl.Float64(),
    }
)
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class CohortView:
    """The look: a sentence, and PERIODS.

    Attributes:
        sentence: The answer in words, of the newest period.
        basis: What it rests on.
        periods: By time; `difference` is the median over the first group of what each reads above the median of the
            second's in its family and depot, `low` and `high` hold it 95 times in a hundred; the medians are as read.
        empty_reason: Why there is nothing to see.
    """

    sentence: str
    basis: str
    periods: pl.DataFrame
    empty_reason: str = ""


def cohorts(
    values: pl.DataFrame,
    states: pl.DataFrame,
    *,
    correction: Mapping[str, Any],
    places: pl.DataFrame,
    first: pl.DataFrame,
    second: pl.DataFrame,
    reader: Reader,
) -> CohortView:
    """What the first group reads above the second, like with like: vehicles of a family and depot in the same weeks.

    A vehicle of the first is held against the median of the second's of its family and depot, or of its family where
    the depot has fewer than LEAST_PEERS; so season, fuel, family and depot fall out. The interval is that of two
    independent medians, each by order statistics (Conover 1971), put together by the recovery of variance estimates
    (Zou and Donner 2008, Statistics in Medicine 27(10), 1693-1702); of the second group vehicles weigh as the first has
    them beside it, and count as many as Kish's effective number says.

    Args:
        values: `vehicle_id, read_at, value, calibration` of one correction.
        states: The correction's rows of `correction_state`.
        correction: Its catalogue row: `title, unit`.
        places: Of `factors.places_of`.
        first: Vehicles of the first group: `vehicle_id`. Those in both are left out.
        second: Of the second.
        reader: Whose clock.
    """
    both = first.join(second, on="vehicle_id", how="semi").height
    able = can_have(places, states).select("vehicle_id", "engine_family", "depot")
    read = (
        values.filter(pl.col("read_at") <= reader.as_of)
        .join(in_kind_of(able, values), on="vehicle_id", how="inner")
        .group_by(
            "vehicle_id", "engine_family", "depot", pl.col("read_at").dt.truncate(f"{PERIOD_WEEKS}w").alias("from")
        )
        .agg(pl.col("value").mean())
    )
    here, there = in_kind_of(first, read), in_kind_of(second, read)
    one, other = (
        read.join(mine, on="vehicle_id", how="semi").join(theirs, on="vehicle_id", how="anti")
        for mine, theirs in ((here, there), (there, here))
    )
    periods = _periods(one, other)
    left_out = f" {sentence(count(both, 'vehicle'))} in both {'is' if both == 1 else 'are'} left out." if both else ""
    return CohortView(
        sentence=_sentence(periods, correction, reader),
        basis=(
            f"{sentence(count(one['vehicle_id'].n_unique(), 'vehicle'))} against {other['vehicle_id'].n_unique():,}, "
            f"each of the first against the second's of its engine family and depot in the same {PERIOD_WEEKS} weeks "
            f"(of its family alone where the depot has fewer than {LEAST_PEERS})."
            f"{left_out}"
        ),
        periods=periods,
        empty_reason=""
        if periods.height
        else f"In no {PERIOD_WEEKS} weeks were there vehicles of the first group and {LEAST_PEERS} of the second "
        "of the same engine family. Widen a group.",
    )


def _periods(one: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    close, far = ["engine_family", "depot", "from"], ["engine_family", "from"]
    middles = {
        name: other.group_by(keys).agg(**{name: pl.col("value").median(), f"{name}_of": pl.len()})
        for name, keys in (("close", close), ("far", far))
    }
    held = one.join(middles["close"], on=close, how="left", nulls_equal=True).join(
        middles["far"], on=far, how="left", nulls_equal=True
    )
    by_depot = pl.col("close_of").fill_null(0) >= LEAST_PEERS
    peers = pl.when(by_depot).then("close").when(pl.col("far_of") >= LEAST_PEERS).then("far")
    held = held.with_columns(own=pl.col("value") - peers, by_depot=by_depot).drop_nulls("own")
    against = pl.concat(
        _weighed(held.filter(side), other.join(middles[name], on=keys, how="inner", nulls_equal=True), name, keys)
        for side, name, keys in ((pl.col("by_depot"), "close", close), (~pl.col("by_depot"), "far", far))
    )
    found = [
        _period(start, mine, against.filter(pl.col("from") == start))
        for (start,), mine in held.sort("from").group_by("from", maintain_order=True)
    ]
    return pl.DataFrame(found, schema=PERIODS, orient="row")


def _weighed(held: pl.DataFrame, other: pl.DataFrame, name: str, keys: list[str]) -> pl.DataFrame:
    """The second group's vehicles beside the first's, less their median: `from, vehicle_id, value, own, weight`.

    A residual from a median of few is drawn to it, by about a share of 1 / vehicles of its variance, which is undone.
    """
    beside = held.group_by(keys).agg(beside=pl.len())
    peers = pl.col(f"{name}_of")
    return other.join(beside, on=keys, how="inner", nulls_equal=True).select(
        "from",
        "vehicle_id",
        "value",
        own=(pl.col("value") - pl.col(name)) * (peers / (peers - 1)).sqrt(),
        weight=pl.col("beside") / peers,
    )


def _period(start: object, mine: pl.DataFrame, theirs: pl.DataFrame) -> tuple[object, ...]:
    middle = float(mine["own"].median())  # type: ignore[arg-type]
    low, high = _interval(middle, mine["own"], theirs)
    return (
        start,
        middle,
        low,
        high,
        mine.height,
        theirs["vehicle_id"].n_unique(),
        mine["value"].median(),
        theirs.unique("vehicle_id")["value"].median(),
    )


def _interval(middle: float, own: pl.Series, theirs: pl.DataFrame) -> tuple[float | None, float | None]:
    mine = median_interval(own)
    other = weighted_median_interval(theirs["own"].to_numpy(), theirs["weight"].to_numpy())
    if mine is None or other is None:
        return None, None
    low = middle - float(np.hypot(middle - mine[0], max(other[1], 0.0)))
    high = middle + float(np.hypot(mine[1] - middle, min(other[0], 0.0)))
    return low, high


def weighted_median_interval(values: Floats, weights: Floats) -> tuple[float, float] | None:
    """The 95 % interval of a weighted median by order statistics, of as many values as Kish counts; None: too few."""
    counted = int(weights.sum() ** 2 / (weights**2).sum()) if len(weights) else 0
    if counted < LEAST_VEHICLES:
        return None
    outside = max(int(binom.ppf((1 - SURE) / 2, counted, 0.5)) - 1, 0) / counted
    order = np.argsort(values)
    share = (np.cumsum(weights[order]) - weights[order] / 2) / weights.sum()
    at = np.interp([outside + 0.5 / counted, 1 - outside - 0.5 / counted], share, values[order])
    return float(at[0]), float(at[1])


def _sentence(periods: pl.DataFrame, correction: Mapping[str, Any], reader: Reader) -> str:
    title, unit = sentence(str(correction["title"])), correction["unit"]
    if not periods.height:
        return f"{title}: the two groups cannot be compared."
    row = periods.row(-1, named=True)
    far = f"{amount(abs(row['difference']), unit)} {'above' if row['difference'] > 0 else 'below'}"
    stands = f"{title}: since {reader.day(row['from'])} the first group stands {far} the second"
    if row["low"] is None:
        return f"{stands}: too few vehicles for an interval."
    word = unit_word(unit)
    between = f"between {signed(row['low'])} and {signed(row['high'])}{f'{NO_BREAK}{word}' if word else ''}"
    sure = "" if row["low"] > 0 or row["high"] < 0 else "; no difference at all cannot be ruled out"
    return f"{stands} ({between}){sure}."
