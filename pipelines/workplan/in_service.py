"""Which vehicles are in service on a day."""

from datetime import datetime

import polars as pl


def in_service(vehicles: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """Vehicles that have been put into service by `as_of` and not been retired before that day."""
    today = pl.lit(as_of.date())
    begun = pl.col("in_service_on").is_null() | (pl.col("in_service_on") <= today)
    ended = (pl.col("retired_on") < today).fill_null(value=False)
    return vehicles.filter(begun & ~ended)
