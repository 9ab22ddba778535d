"""Work that did not hold, and work without its reset, by who did it and with which part: jobs to be compared out."""

from collections.abc import Sequence

import polars as pl

from pipelines.handover import Evidence, History
from pipelines.recurring.exposure import DAYS_PER_MONTH
from pipelines.recurring.visits import KEY as VISIT
from pipelines.recurring.visits import with_visits

MENDS = ("cleaning", "adjustment", "repair", "replacement")
JOB_FACTORS = ("workshop", "part_batch", "part_number", "depot")
WHO_DID_IT = ("workshop", "depot")  # what can make a difference to whether learned values are set back: no part does
PARTS = ("part_batch", "part_number")  # factors that other parts lend what little is known of one
JOB_STRATA = ("component",)  # a part behaves alike in all families; split by these too, few jobs had any beside them
HABIT_STRATA = ("usual_work",)
OFTEN = 20  # jobs on one component from which they are compared among themselves (judgement)
DECIDED = ("held", "came_back", "not_reset")
RETURN, NOT_RESET = "return", "not_reset"  # kinds of what happened to a job
ANY = "any component"


def jobs(evidence: Evidence, history: History, repair_outcome: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """One row per mending job, a job being one visit's work on one component (and place): how it went on.

    A part is carried from the job that fitted it until the same part of the vehicle is mended again, so that a batch is
    judged over all that carry it, not over those that broke.

    Args:
        evidence: Work rows.
        history: Readings, which part visits from each other.
        repair_outcome: The contract's table.
        months: From `vehicle_months`; a job is watched until the vehicle was last read.

    Returns:
        Sorted by vehicle, component and time: `vehicle_id, component, engine_family`, the factors, `kind`, `exposure`
        (months until it came back or was seen last), `returned` (bool: mended again, or judged to have come back),
        `failed` (bool: and the part was the trouble), `at` (when; null: it did not), `done_at`, `not_reset` (bool:
        learned values were not set back, by the record or as the readings after it show; null: not known).
    """
    place = ["vehicle_id", "component", "bank", "cylinder"]
    again = pl.col("done_at").shift(-1).over(place)
    judged = pl.when(pl.col("verdict") == "came_back").then("back_at")
    return (
        _jobs_done(evidence, history, repair_outcome, months)
        .sort(*place, "done_at")
        .with_columns(at=pl.min_horizontal(again, judged))
        .with_columns(
            returned=pl.col("at").is_not_null(),
            failed=pl.col("at").is_not_null()
            & (pl.col("at").ne_missing(judged) | pl.col("part_failed")).fill_null(value=False),
            not_reset=pl.when(pl.col("verdict") == "not_reset")
            .then(statement=True)
            .otherwise(
                pl.coalesce(pl.col("was_reset").not_(), pl.when(pl.col("verdict").is_in(DECIDED)).then(statement=False))
            ),
            exposure=(pl.coalesce("at", "seen_to") - pl.col("done_at")).dt.total_seconds() / 86_400 / DAYS_PER_MONTH,
        )
        .filter(pl.col("exposure") > 0)
        .select(
            "vehicle_id",
            "engine_family",
            "component",
            *JOB_FACTORS,
            "kind",
            "exposure",
            "returned",
            "failed",
            "at",
            "done_at",
            "not_reset",
        )
    )


def _jobs_done(
    evidence: Evidence, history: History, repair_outcome: pl.DataFrame, months: pl.DataFrame
) -> pl.DataFrame:
    """One row per mending job: what was done where, with the verdict of its repair; columns as of `jobs`."""
    seen = history.readings.group_by("vehicle_id").agg(seen_to=pl.col("read_at").max())
    last = months.group_by("vehicle_id").agg(pl.col("engine_family").first()).join(seen, on="vehicle_id")
    depot = history.readings.select("vehicle_id", done_at="read_at", depot="depot").sort("done_at")
    verdicts = repair_outcome.select(
        "vehicle_id", "component", "verdict", "back_at", "part_failed", outcome_at="done_at"
    )
    verdict_of = verdicts.sort("outcome_at")
    return (
        with_visits(evidence.work, history.readings)
        .filter(pl.col("kind").is_in(MENDS) & pl.col("component").is_not_null())
        .group_by(*VISIT, "component", "bank", "cylinder", maintain_order=True)
        .agg(
            pl.col("done_at").max(),
            pl.col("kind").first(),
            pl.col("workshop", "part_batch", "part_number").drop_nulls().last(),
            pl.col("was_reset").first(),
        )
        .join(last, on="vehicle_id")
        .sort("done_at")
        .join_asof(depot, on="done_at", by="vehicle_id", check_sortedness=False)
        .join_asof(
            verdict_of, left_on="done_at", right_on="outcome_at", by=["vehicle_id", "component"], strategy="forward",
            check_sortedness=False,
        )
    )  # fmt: skip


def returned(stood: pl.DataFrame) -> pl.DataFrame:
    """Jobs that came back, of each component and of all together: `kind, what, row, at, episode`."""
    return _happened(stood, pl.col("returned"), "at", RETURN)


def said_of_reset(stood: pl.DataFrame) -> pl.DataFrame:
    """Jobs of which it can be said whether learned values were set back, each counting once.

    `usual_work`: the component, of those that are seldom worked on the kind of work: among a handful of jobs on one
    component nobody stands beside others.
    """
    often = pl.len().over("component") >= OFTEN
    return stood.filter(pl.col("not_reset").is_not_null()).with_columns(
        exposure=pl.lit(1.0), usual_work=pl.when(often).then("component").otherwise("kind")
    )


def without_reset(told: pl.DataFrame) -> pl.DataFrame:
    """Of jobs from `said_of_reset`, those without: `kind, what, row, at, episode`."""
    return _happened(told, pl.col("not_reset"), "done_at", NOT_RESET)


def _happened(rows: pl.DataFrame, when: pl.Expr, at: str, kind: str) -> pl.DataFrame:
    columns: Sequence[str] = ("kind", "what", "row", "at", "episode")
    each = (
        rows.with_row_index("row")
        .filter(when)
        .select("row", at=at, what="component", kind=pl.lit(kind), episode=pl.col("row").cast(pl.Int64))
    )
    return pl.concat([each, each.with_columns(what=pl.lit(ANY))]).select(columns)
