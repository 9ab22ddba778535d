"""How many vehicles the workshop can take on within a horizon: as many as it has lately."""

from datetime import timedelta

import polars as pl

from pipelines.forecast.outcomes import PREVENTIVE
from pipelines.handover import Evidence

SHARE_WITHOUT_WORK = 0.05  # of the fleet, where no work is on record: judgement


def jobs_done(evidence: Evidence, horizon_days: int) -> int:
    """K: vehicles worked on in as many days before `as_of`, at least 1; with no work on record, 5 % of the fleet."""
    work = evidence.work.filter(pl.col("kind").is_in(PREVENTIVE))
    if work.is_empty():
        return max(round(SHARE_WITHOUT_WORK * evidence.vehicles.height), 1)
    since = evidence.as_of - timedelta(days=horizon_days)
    return max(work.filter(pl.col("done_at") > since)["vehicle_id"].n_unique(), 1)
