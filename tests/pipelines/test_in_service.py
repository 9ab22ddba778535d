"""Who gets published rows: vehicles that have come into service and have not retired."""

from datetime import UTC, date, datetime

import polars as pl

from pipelines.in_service import in_service


def test_a_vehicle_serves_from_its_first_day_to_its_last_both_included():
    vehicles = pl.DataFrame(
        {
            "vehicle_id": ["new", "not yet", "undated", "last day", "gone"],
            "in_service_on": [date(2031, 5, 20), date(2031, 5, 21), None, None, None],
            "retired_on": [None, None, None, date(2031, 5, 20), date(2031, 5, 19)],
        }
    )
    serving = in_service(vehicles, datetime(2031, 5, 20, 12, tzinfo=UTC))
    assert serving["vehicle_id"].to_list() == ["last day", "new", "undated"]
