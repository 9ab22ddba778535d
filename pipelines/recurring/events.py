"""What happened, once per vehicle and episode: stored codes, drifts and known causes as rows to be counted."""

from datetime import timedelta

import numpy as np
import polars as pl

from pipelines.causes.knowledge import causes
from pipelines.handover import Drift, Evidence, FamilyDrift, History
from pipelines.recurring.returns import MENDS

TOGETHER = timedelta(days=28)  # drifts of one vehicle within it are one; the strongest correction names it
EPISODE = timedelta(days=90)  # an event so long after the one before, or after a repair, begins another (judgement)
SURE = 0.5  # probability from which a ranked cause counts as one that happened

SCHEMA = pl.Schema(
    {"vehicle_id": pl.String(), "what": pl.String(), "at": pl.Datetime("us", "UTC"), "kind": pl.String()}
)


def drifts_of(drift: Drift) -> pl.DataFrame:
    """Rows of SCHEMA: `drift_events` of every family."""
    return pl.concat([pl.DataFrame(schema=SCHEMA), *(drift_events(family).cast(SCHEMA) for family in drift.families)])


def events(
    drifts: pl.DataFrame, correction_state: pl.DataFrame, cause_ranking: pl.DataFrame, *, evidence: Evidence,
    history: History,
) -> pl.DataFrame:  # fmt: skip
    """Columns of SCHEMA and `episode`, sorted; `what` is a trouble code, a correction or a cause, `kind` says which.

    Events of one vehicle between two repairs, with no more than EPISODE from one to the next, are one episode.

    Args:
        drifts: From `drifts_of`.
        correction_state: The contract's table.
        cause_ranking: The contract's table; a cause that is first and sure happened when its drift began.
        evidence: Confirmed causes in the work rows.
        history: Fault events.
    """
    codes = history.fault_events.select(
        "vehicle_id", what=pl.col("code").str.slice(0, 5), at="found_at", kind=pl.lit("code")
    )
    confirmed = evidence.work.filter(pl.col("cause").is_in(list(causes()))).select(
        "vehicle_id", what="cause", at="done_at", kind=pl.lit("cause")
    )
    since = correction_state.filter(pl.col("alarm")).group_by("vehicle_id").agg(at=pl.col("alarm_at").min())
    ranked = (
        cause_ranking.filter(
            (pl.col("rank") == 1) & (pl.col("probability") >= SURE) & pl.col("cause").is_in(list(causes()))
        )
        .join(since, on="vehicle_id")
        .filter(pl.col("at").is_not_null())
        .select("vehicle_id", what="cause", at="at", kind=pl.lit("cause"))
    )
    found = pl.concat([frame.cast(SCHEMA) for frame in (codes, confirmed, ranked, drifts)])
    return _with_episodes(_first_between_repairs(found, evidence.work))


def _with_episodes(found: pl.DataFrame) -> pl.DataFrame:
    """The same rows with `episode`, a number that events share which belong together."""
    follows = (pl.col("at").diff() <= EPISODE) & (pl.col("repair").diff() == 0)
    return (
        found.sort("vehicle_id", "at", "kind", "what")
        .with_columns(pl.col("repair").fill_null(0))
        .with_columns(episode=(~follows.over("vehicle_id").fill_null(value=False)).cum_sum().cast(pl.Int64))
        .sort("vehicle_id", "kind", "what", "at")
        .select(*SCHEMA.names(), "episode")
    )


def drift_events(family: FamilyDrift) -> pl.DataFrame:
    """Vehicle alarms of one family: those of a vehicle within TOGETHER are one, named by its strongest correction."""
    panel = family.panel
    vehicle = np.repeat(np.arange(len(panel.vehicles)), np.diff(panel.row_start))
    begins = family.alarm.copy()
    same = (vehicle[1:] == vehicle[:-1])[:, None] & (panel.epoch[1:] == panel.epoch[:-1])
    begins[1:] &= ~(family.alarm[:-1] & same)
    rows, columns = np.nonzero(begins)
    excess = family.evidence[rows, columns] / np.maximum(family.threshold[columns], 1e-12)
    return (
        pl.DataFrame(
            {
                "vehicle_id": np.array(panel.vehicles, dtype=object)[vehicle[rows]],
                "what": np.array(panel.codes, dtype=object)[columns],
                "at": panel.read_at[rows],
                "excess": excess.astype(np.float64),
            },
            schema_overrides={"vehicle_id": pl.String, "what": pl.String, "at": pl.Datetime("us")},
        )
        .with_columns(pl.col("at").dt.replace_time_zone("UTC"))
        .sort("vehicle_id", "at", "excess", "what", descending=[False, False, True, False])
        .with_columns(apart=(pl.col("at").diff().over("vehicle_id") > TOGETHER).fill_null(value=True))
        .with_columns(episode=pl.col("apart").cum_sum().over("vehicle_id"))
        .sort("vehicle_id", "episode", "excess", "what", descending=[False, False, True, False])
        .group_by("vehicle_id", "episode", maintain_order=True)
        .agg(pl.col("what").first(), pl.col("at").min())
        .select("vehicle_id", "what", "at", kind=pl.lit("correction"))
    )


def _first_between_repairs(found: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """The first event of each thing on a vehicle between one mending work and the next; `repair` counts the works."""
    mended = (
        work.filter(pl.col("kind").is_in(MENDS))
        .select("vehicle_id", at="done_at")
        .unique()
        .sort("at", "vehicle_id")
        .with_columns(repair=pl.int_range(1, pl.len() + 1).over("vehicle_id"))
    )
    return (
        found.sort("at", "vehicle_id", "kind", "what")
        .join_asof(mended, on="at", by="vehicle_id", allow_exact_matches=False, check_sortedness=False)
        .unique(["vehicle_id", "kind", "what", "repair"], keep="first", maintain_order=True)
    )
