"""Which readings come first after hands-on work on what a correction learns of: work rows in, rows of a panel out."""

import numpy as np
import polars as pl

from pipelines.causes.affected import family_places
from pipelines.handover import Evidence, Int64s
from pipelines.history.fault_events import HANDS_ON
from pipelines.history.reading_rows import first_rows_after

ABOUT = ["component", "bank", "cylinder", "cause"]  # what says which corrections a piece of work was about


def worked_rows(rows: pl.DataFrame, codes: tuple[str, ...], family: str, evidence: Evidence) -> dict[str, Int64s]:
    """By correction: [n] rows, sorted, that are read first after work on it; only where there are any.

    Which corrections a piece of work is about is told as for the verdicts on repairs; work on nobody says what is about
    none. An inspection changes nothing.

    Args:
        rows: The family's: `vehicle_id, read_at`, sorted; one a row.
        codes: Its corrections.
        family: Its name.
        evidence: Work rows, catalogue and families.
    """
    if not codes:
        return {}
    work = evidence.work.filter(pl.col("kind").is_in(HANDS_ON)).select("vehicle_id", "done_at", *ABOUT)
    work = first_rows_after(work, rows.select("vehicle_id", "read_at").with_row_index("row"), at="done_at")
    if work.is_empty():
        return {}
    places = family_places(codes, family, corrections=evidence.corrections, families=evidence.families)
    rows_by_code: dict[str, list[Int64s]] = {}
    for about, part in work.select("row", *ABOUT).group_by(ABOUT, maintain_order=True):
        at = part["row"].to_numpy().astype(np.int64)
        for c in np.flatnonzero(places.asked(dict(zip(ABOUT, about, strict=True)))):
            rows_by_code.setdefault(codes[c], []).append(at)
    return {code: np.unique(np.concatenate(parts)) for code, parts in rows_by_code.items()}
