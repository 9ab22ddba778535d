"""A correction's path by the band that it was judged by: frames in and out."""

from collections.abc import Mapping
from typing import Any

import polars as pl

SHOWN_FROM = 1e-6  # of the band's half width: less is rounding
MOVED = ("expected", "band_low", "band_high", "offset")


def as_judged(path: pl.DataFrame, row: Mapping[str, Any]) -> pl.DataFrame:
    """The path, with what was taken for a new normal and then found to harm shown by the band from before.

    Args:
        path: Rows of one correction of one vehicle by read_at, as the detector saw it.
        row: Its published state, which also knows the causes.
    """
    known = path.drop_nulls("expected") if "expected" in path.columns else path.clear()
    if not row["alarm"] or row["onset_at"] is None or row["expected"] is None or known.is_empty():
        return path
    last = known.row(-1, named=True)
    size = last["expected"] - row["expected"]
    if abs(size) <= SHOWN_FROM * (last["band_high"] - last["expected"]):
        return path
    since = known.filter(pl.col("read_at") >= row["onset_at"])
    taken = since.get_column("offset").diff().fill_null(0.0).abs().arg_max() if since.height else None
    begins = since.get_column("read_at")[taken] if taken is not None else row["onset_at"]
    after = pl.col("read_at") >= begins
    return path.with_columns(
        pl.when(after).then(pl.col(name) - size).otherwise(pl.col(name)).alias(name) for name in MOVED
    )


def all_as_judged(paths: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    """The same of all corrections of one vehicle; `paths` by correction, then read_at."""
    if paths.is_empty():
        return paths
    alarms = {row["correction"]: row for row in states.filter("alarm").iter_rows(named=True)}
    parts = paths.partition_by("correction", maintain_order=True)
    codes = [part.item(0, "correction") for part in parts]
    return pl.concat(
        [as_judged(part, alarms[code]) if code in alarms else part for code, part in zip(codes, parts, strict=True)]
    )
