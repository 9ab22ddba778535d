"""How figures of one vehicle come about: the parts of what is expected, and what sets it apart from its peers."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboard.views.joined import with_catalogue
from dashboard.views.peers import SAID_FROM, reason_words
from dashboard.views.wording import amount, number, percent, signed


def outlier_sentence(
    vehicle_id: str, vehicle_state: pl.DataFrame, outlier_reason: pl.DataFrame, corrections: pl.DataFrame
) -> str:
    """How unlike its peers the vehicle is, and which corrections make it so."""
    rows = vehicle_state.filter(pl.col("vehicle_id") == vehicle_id).to_dicts()
    score = rows[0]["outlier_score"] if rows else None
    if score is None:
        return "Too little was read to compare it with its peers."
    reasons = with_catalogue(
        outlier_reason.filter(pl.col("vehicle_id") == vehicle_id).sort("share", descending=True).head(3), corrections
    ).to_dicts()
    because = reason_words((row["title"], row["share"]) for row in reasons if row["share"] >= SAID_FROM)
    unlike = f"It is more unlike its peers than {percent(score)} of healthy vehicle-weeks"
    flagged = "" if rows[0]["is_outlier"] else ", which is not enough to call it an outlier"
    return f"{unlike}{flagged}{f'; what sets it apart: {because}' if because else ''}."


def distance_sentence(vehicle_id: str, outlier_check: pl.DataFrame) -> str:
    """What the robust distance says of the vehicle, as a check on the forest; empty where it was not computed."""
    if not outlier_check.width:
        return ""
    rows = outlier_check.filter(pl.col("vehicle_id") == vehicle_id).drop_nulls("distance_score").to_dicts()
    if not rows:
        return ""
    return (
        f"As a check, its robust distance of {number(rows[0]['robust_distance'])} is beyond that of "
        f"{percent(rows[0]['distance_score'])} of healthy vehicle-weeks."
    )


def joined_sentence(row: Mapping[str, Any], drift_joined: pl.DataFrame, corrections: pl.DataFrame) -> str:
    """Which other corrections bore a standing alarm out before it was one alone; empty where it needed none.

    Args:
        row: Its row of `correction_state`, with vehicle_id.
        drift_joined: As published; without columns where nothing of it was kept.
        corrections: The catalogue.
    """
    if not row["alarm"] or not drift_joined.width:
        return ""
    mine = drift_joined.filter(
        pl.col("vehicle_id") == row["vehicle_id"], pl.col("correction") == row["correction"],
        pl.col("read_at") >= row["alarm_at"],
    ).sort("read_at")  # fmt: skip
    if mine.is_empty():
        return ""
    others = pl.DataFrame({"correction": [code for code in mine["others"][-1].split("|") if code]})
    titles = with_catalogue(others, corrections)["title"].to_list() if others.height else []
    with_it = f"{', '.join(titles)} moved with it" if titles else "the corrections beside it read as they would with it"
    return f"An alarm sooner than it would have been alone: {with_it}."


def reasoning(path: pl.DataFrame, row: Mapping[str, Any]) -> pl.DataFrame:
    """How the expected value at the last reading is made up, and the test's statistic beside its threshold.

    Args:
        path: Rows of one correction of one vehicle, by read_at: value, centre, season, offset, relearning, expected,
            level, evidence, threshold.
        row: Its row of `correction_state` with title and unit.

    Returns:
        Rows `part, figure, meaning`, in the order they are added up; empty where nothing was read.
    """
    if not path.get_column("expected").count():
        return pl.DataFrame(schema={"part": pl.String, "figure": pl.String, "meaning": pl.String})
    last, unit = path.drop_nulls("value").row(-1, named=True), row["unit"]
    lines = [
        ("Family centre", amount(last["centre"], unit, figures=3), "what this engine family and calibration reads"),
        ("Season", signed(last["season"]), "what its peers do together these weeks: weather, fuel"),
        ("Own offset", signed(last["offset"]), "this vehicle's own normal, shrunk by what its history is worth"),
        ("Relearning", signed(last["relearning"]), "what is still to be learned since it was last set back"),
        ("Expected", amount(last["expected"], unit, figures=3), "the sum: what it should read now"),
        ("Read", amount(last["value"], unit, figures=3), "the newest reading"),
        ("Smoothed level", amount(last["level"], unit, figures=3), "the reading with its noise taken out"),
        ("Statistic", number(last["evidence"], figures=3), "evidence that it strays, over all onsets tried"),
        (
            "Threshold",
            number(last["threshold"], figures=3),
            "an alarm is raised above this; less is needed where others move with it",
        ),
    ]
    return pl.DataFrame(lines, schema=["part", "figure", "meaning"], orient="row")
