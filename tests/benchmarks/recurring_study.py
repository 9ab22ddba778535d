"""Verdicts on repairs and findings of simulated fleets beside their truth.

`python tests/benchmarks/recurring_study.py [--vehicles 300] [--weeks 60] [--seeds 15201 15202 15203] [--at FOLDER]`

Repairs: each visit's component of the truth, where 40 ignition hours and four readings followed before its next visit:
share with a verdict, verdicts right, recall by verdict. Findings of the last date: how many, which of them the scenario
has no reason for, and the place of each plant with the events that it can show. Intervals are exact, 95 %.
"""

import argparse
import tempfile
import time
from pathlib import Path

import polars as pl
from drift_simulated import simulated
from scipy.stats import beta

from pipelines.causes.ranking import learn_causes, rank_causes
from pipelines.recurring.around import ENOUGH_HOURS, ENOUGH_READINGS
from pipelines.recurring.seen import Seen
from pipelines.recurring.stage import recurring

# Beside the demo's habits: at the demo's rates fleets of this size show a handful of a plant's events.
PLANTED = {
    "exposures": [
        {"what": "calibration", "level": "RO20-B12", "cause": "closed_throttle_shifted", "factor": 12.0},
        {"what": "depot", "level": "Saltings", "cause": "air_mass_sensor_fouled", "factor": 4.0},
    ],
    "causes": {
        "o2_sensor_aged": {"rate": 80.0},
        "o2_heater_weak": {"rate": 40.0},
        "closed_throttle_shifted": {"rate": 20.0},
    },
}
VERDICTS = ("held", "came_back", "not_reset")


def main() -> None:
    """Prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=300)
    parser.add_argument("--weeks", type=int, default=60)
    parser.add_argument("--seeds", type=int, nargs="+", default=[15201, 15202, 15203])
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "recurring_study")
    arguments = parser.parse_args()
    judged = []
    for seed in arguments.seeds:
        fleet = simulated(
            arguments.cache, vehicles=arguments.vehicles, weeks=arguments.weeks, seed=seed, defects=True,
            planted=PLANTED,
        )  # fmt: skip
        drift = fleet.drift(0.1)
        taught = learn_causes(drift, fleet.evidence)
        ranking = rank_causes(drift, evidence=fleet.evidence, history=fleet.history, taught=taught)
        ranked = time.process_time()
        known = {"evidence": fleet.evidence, "history": fleet.history}
        moved = drift.extras.get("drift_moved")
        tables = recurring(Seen.of(drift, **known), drift.correction_state, ranking, **known, moved=moved)
        print(f"\nseed {seed}: {time.process_time() - ranked:.1f} s of processor time")
        judged.append(beside_truth(fleet, tables["repair_outcome"]))
        show_findings(tables["recurring_issue"], fleet)
    show_repairs(pl.concat(judged))


def beside_truth(fleet, outcomes: pl.DataFrame) -> pl.DataFrame:
    """One row per repair of the truth: `due` (whether a verdict should be there), `truth`, `verdict`, `evidence`."""
    read = fleet.history.readings.select("vehicle_id", "read_at", "hours").sort("read_at")
    truth = (
        fleet.truth("repairs")
        .with_columns(
            truth=pl.when(~pl.col("right") | ~pl.col("held"))
            .then(pl.lit("came_back"))
            .when(pl.col("reset"))
            .then(pl.lit("held"))
            .otherwise(pl.lit("not_reset"))
        )
        .sort("vehicle_id", "component", "done_at")
        .with_columns(until=pl.col("done_at").shift(-1).over("vehicle_id", "component"))
        .with_row_index("n")
    )
    after = (
        truth.join(read, on="vehicle_id")
        .filter(
            pl.col("read_at") > pl.col("done_at"), (pl.col("read_at") <= pl.col("until")) | pl.col("until").is_null()
        )
        .group_by("n")
        .agg(readings=pl.len(), last=pl.col("hours").max())
    )
    before = truth.sort("done_at").join_asof(
        read, left_on="done_at", right_on="read_at", by="vehicle_id", check_sortedness=False
    ).select("n", first="hours", before="read_at")  # fmt: skip
    told = outcomes.select("vehicle_id", "component", "verdict", "evidence", verdict_at="done_at").sort("verdict_at")
    return (
        truth.join(after, on="n", how="left")
        .join(before, on="n", how="left")
        .filter(pl.col("before").is_not_null())
        .with_columns(
            due=(pl.col("readings") >= ENOUGH_READINGS)
            & (pl.col("last") - pl.col("first") >= ENOUGH_HOURS).fill_null(value=False)
        )
        .sort("done_at")
        .join_asof(
            told, left_on="done_at", right_on="verdict_at", by=["vehicle_id", "component"], strategy="forward",
            check_sortedness=False, tolerance="14d",
        )
    )  # fmt: skip


def show_repairs(judged: pl.DataFrame) -> None:
    """The shares of all fleets together."""
    due = judged.filter("due")
    told = due.filter(pl.col("verdict").is_in(VERDICTS))
    said(f"verdict where there should be one, of {due.height}", told.height, due.height)
    right = told.filter(pl.col("verdict") == pl.col("truth"))
    said("verdict right", right.height, told.height)
    known = told.filter(pl.col("true_cause") != "sudden")
    said(
        "right, without open circuits that nothing told of",
        known.filter(pl.col("verdict") == pl.col("truth")).height,
        known.height,
    )
    for verdict in VERDICTS:
        of = told.filter(pl.col("truth") == verdict)
        said(f"recall of {verdict}", of.filter(pl.col("verdict") == verdict).height, of.height)
    with pl.Config(tbl_rows=40, fmt_str_lengths=60):
        print(
            told.group_by("truth", "verdict", sudden=pl.col("true_cause") == "sudden")
            .len()
            .sort("truth", "verdict", "sudden")
        )


def show_findings(issues: pl.DataFrame, fleet) -> None:
    """Every finding in its order, with what the truth plants beside it."""
    for number, row in enumerate(issues.iter_rows(named=True), 1):
        print(
            f"  {number:2} [{row['nature'][:4]}] q {row['q_value']:.4f} {row['title']}"
            + (f" | with: {row['parts']}" if row["parts"] else "")
        )
    defects = fleet.truth("defects")
    for plant in fleet.truth("exposures").filter(pl.col("factor").is_not_null()).iter_rows(named=True):
        count = defects.filter(pl.col("cause") == plant["cause"]).height
        where = f"{plant['what']} {plant['level']}: {plant['cause']}, {plant['factor']:g} times"
        print(f"  planted: {where}; defects of it in the fleet: {count}")


def said(what: str, some: int, of: int) -> None:
    """A share with its exact interval (Clopper and Pearson 1934)."""
    low = beta.ppf(0.025, some, of - some + 1) if some else 0.0
    high = beta.ppf(0.975, some + 1, of - some) if some < of else 1.0
    print(f"{what}: {some / max(of, 1):.3f} ({low:.3f} to {high:.3f}) of {of}")


if __name__ == "__main__":
    main()
