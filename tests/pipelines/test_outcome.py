"""What an analysis says to whoever ran it, in a few lines."""

import polars as pl

from pipelines.outcome import outcome

CATALOGUE = pl.DataFrame({"code": ["ltft_b1"], "title": ["Long-term fuel trim, bank 1"], "unit": ["%"]})


def states(**state_of):
    vehicles = pl.DataFrame(
        {
            "vehicle_id": list(state_of), "state": list(state_of.values()), "leading_correction": "ltft_b1",
            "urgency": "none", "urgency_reason": None, "leeway_pct": 12.0,
        },
        schema_overrides={"urgency_reason": pl.String},
    )  # fmt: skip
    corrections = vehicles.select(
        "vehicle_id",
        "state",
        correction=pl.lit("ltft_b1"),
        value=14.0625,
        expected=-1.38,
        deviation=11.13,
        leeway_pct=61.0,
    )
    return vehicles, corrections


def test_whoever_strays_has_a_line_with_the_level_that_its_leeway_is_of():
    line, others = outcome(*states(A="drifting", B="steady"), CATALOGUE, read={"A": 16, "B": 16})
    assert line.startswith("A is drifting: Long-term fuel trim, bank 1 reads 14.1 % where -1.38 % is expected, ")
    assert line.endswith("leeway 61 % at its smoothed level of 9.75 %.")
    assert others == "Others: 1 steady."


def test_too_few_readings_are_said_as_learning_with_what_the_next_ones_bring():
    lines = outcome(*states(A="relearning", B="relearning", C="relearning"), CATALOGUE, read={"A": 1, "B": 3, "C": 9})
    assert lines[0].startswith("Vehicles: 1 with corrections that are being learned anew")
    assert lines[1].startswith("2 vehicles: learning, 1 to 3 of about 5 readings.")
    assert "the second" not in lines[1]
    assert "from the 5th on a change raises an alarm; from about the 20th on slow changes show too" in lines[1]
    [alone] = outcome(*states(A="relearning"), CATALOGUE, read={"A": 1})
    assert alone.startswith("A: learning, 1 of about 5 readings.")
    assert "the second bears out" in alone
