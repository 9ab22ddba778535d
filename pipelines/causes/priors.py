"""How likely each cause is before a vehicle's readings speak: the knowledge file, taught by confirmed repairs."""

import polars as pl

from pipelines.causes.knowledge import causes

DEFECT_PRESENT = 0.10  # share of vehicles that carry a defect of the knowledge at any time (judgement)
KNOWLEDGE_WORTH = 50.0  # confirmed occasions that the knowledge file's frequencies are worth (judgement)


OTHER_SHARE, NO_FAULT_SHARE = 0.03, 0.05  # of what was looked into: another cause, none at all (judgement)
SHARE_WORTH = 60.0  # confirmed occasions that these are worth


def shares_beyond(work: pl.DataFrame) -> tuple[float, float]:
    """Shares of `other` causes and of `no_fault_found` among what was confirmed, drawn to the usual ones."""
    found = work.drop_nulls("cause").select("vehicle_id", "cause", pl.col("done_at").dt.date()).unique()
    count = dict(found.group_by("cause").len().iter_rows())
    told = found.height + SHARE_WORTH
    other = (count.get("other", 0) + SHARE_WORTH * OTHER_SHARE) / told
    return other, (count.get("no_fault_found", 0) + SHARE_WORTH * NO_FAULT_SHARE) / told


def cause_priors(work: pl.DataFrame, vehicles: pl.DataFrame) -> dict[str, float]:
    """Prior probability of each cause on one vehicle; they sum to DEFECT_PRESENT.

    Args:
        work: The drop table `work`; rows with a `cause` of the knowledge count as confirmed. Those of one cause at one
            depot in one month count once: a tank of bad fuel or a bad batch says little about the next vehicle.
        vehicles: The drop table `vehicles`, for the depots.
    """
    occasions = (
        work.filter(pl.col("cause").is_not_null())
        .join(vehicles.select("vehicle_id", "depot"), on="vehicle_id", how="left")
        .select("cause", "depot", pl.col("done_at").dt.truncate("1mo"))
        .unique()
    )
    confirmed = dict(occasions.group_by("cause").len().iter_rows())
    total = sum(cause.prior for cause in causes().values())
    weight = {key: KNOWLEDGE_WORTH * cause.prior / total + confirmed.get(key, 0) for key, cause in causes().items()}
    scale = DEFECT_PRESENT / sum(weight.values())
    return {key: value * scale for key, value in weight.items()}
