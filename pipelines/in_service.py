"""Which vehicles are in service at a time: those that get published rows."""

from datetime import datetime

import polars as pl


def in_service(vehicles: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """The rows of vehicles that have come into service and not retired, sorted by vehicle_id.

    Args:
        vehicles: The contract's `vehicles`; a vehicle without dates counts as in service.
        as_of: Now; a vehicle is still in service on the day it retires.
    """
    today = as_of.date()
    return vehicles.filter(
        pl.col("in_service_on").fill_null(today) <= today, pl.col("retired_on").fill_null(today) >= today
    ).sort("vehicle_id")
