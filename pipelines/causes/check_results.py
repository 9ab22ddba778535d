"""What checks on a vehicle found: entries in, what each result says of each cause out; no file, no clock."""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
import polars as pl

from pipelines.causes.hypotheses import Hypothesis
from pipelines.causes.knowledge import checks
from pipelines.entries.standing import newest_of_each
from pipelines.handover import Evidence, Float64s
from pipelines.history.fault_events import HANDS_ON

LASTS = timedelta(days=180)  # after that a check says nothing of what is there now (judgement)
RESULTS = pl.Schema({"vehicle_id": pl.String, "check_id": pl.String, "result": pl.String})


def check_results(evidence: Evidence) -> pl.DataFrame:
    """`vehicle_id, check_id, result` of the newest result of each check that still counts, sorted.

    It counts until work on the vehicle, or for half a year; of a check or a result that is not known, nothing does.
    """
    worked = (
        evidence.work.filter(pl.col("kind").is_in(HANDS_ON), pl.col("kind") != "inspection")
        .group_by("vehicle_id")
        .agg(worked_at=pl.col("done_at").max())
    )
    entered = (
        evidence.entries.filter(pl.col("kind") == "check", pl.col("entered_at") > evidence.as_of - LASTS)
        .join(worked, on="vehicle_id", how="left")
        .filter(pl.col("worked_at").is_null() | (pl.col("entered_at") > pl.col("worked_at")))
    )
    return known_results(entered)


def known_results(entered: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, check_id, result`: the newest known result of each check, out of entries of the kind `check`."""
    known = [f"{check.id} {result}" for check in checks().values() for result in check.results]
    return (
        newest_of_each(
            entered.filter(pl.concat_str("subject", pl.lit(" "), "value").is_in(known)), "vehicle_id", "subject"
        )
        .select("vehicle_id", check_id="subject", result="value")
        .cast(RESULTS)
        .sort("vehicle_id", "check_id")
    )


def result_ratio(check_id: str, result: str, cause: str) -> float:
    """Chance of this result with the cause over that with none of the causes."""
    check = checks()[check_id]
    place = list(check.results).index(result)
    return check.chances(cause)[place] / check.others[place]


def log_result_ratios(
    vehicles: Sequence[str], results: Mapping[str, Sequence[tuple[str, str]]], laid_out: Sequence[Hypothesis]
) -> Float64s:
    """[V, K] log likelihood ratio of each vehicle's results under each hypothesis against none of the causes.

    Args:
        vehicles: V ids.
        results: By vehicle: check and result.
        laid_out: K hypotheses.
    """
    ratios = np.zeros((len(vehicles), len(laid_out)))
    for v, vehicle in enumerate(vehicles):
        for check_id, result in results.get(vehicle, ()):
            ratios[v] += np.log([result_ratio(check_id, result, h.cause.id) for h in laid_out])
    return ratios


def by_vehicle(results: pl.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """Check and result by vehicle."""
    found: dict[str, list[tuple[str, str]]] = {}
    for vehicle, check_id, result in results.select("vehicle_id", "check_id", "result").iter_rows():
        found.setdefault(vehicle, []).append((check_id, result))
    return found
