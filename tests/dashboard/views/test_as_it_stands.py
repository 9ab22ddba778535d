"""Readings of the fleet on the pages of trends: what is withheld is no evidence, what was converted counts so."""

from datetime import UTC, datetime

import polars as pl

from dashboard.views.withheld import as_it_stands
from pipelines.handover import HeldReadings

AT = [datetime(2031, 1, day, tzinfo=UTC) for day in (1, 8, 15, 22)]
VALUES = pl.DataFrame({"vehicle_id": ["V1"] * 4, "read_at": AT, "value": [5.0, 0.05, 5.2, 9.0]}).with_columns(
    pl.col("read_at").cast(pl.Datetime("us", "UTC")), calibration=pl.lit("A")
)


def cells(*rows):
    return pl.DataFrame(rows, schema=HeldReadings.none().cells.schema, orient="row")


def test_withheld_values_and_readings_of_others_are_out_and_converted_ones_count():
    held = cells(
        ("V1", AT[0], "trim", None, None),
        ("V1", AT[1], "trim", 5.0, None),
        ("V1", AT[2], "idle", None, None),
        ("V1", AT[3], None, None, "V2"),
    )
    stands = as_it_stands(VALUES, held, "trim")
    assert stands.select("read_at", "value").rows() == [(AT[1], 5.0), (AT[2], 5.2)]
    assert stands.columns == VALUES.columns


def test_where_nothing_is_withheld_or_none_was_published_all_stand():
    assert as_it_stands(VALUES, cells(), "trim").equals(VALUES)
    assert as_it_stands(VALUES, pl.DataFrame(), "trim").equals(VALUES)
