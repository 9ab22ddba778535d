"""What the whole fleet did of late: weather and fuel, depots that moved, calibrations, notes; frames in, sentences out.

None of it is any vehicle's own: each vehicle is judged beside what its peers do together.
"""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import polars as pl

from dashboard.views.joined import with_catalogue
from dashboard.views.wording import Reader, amount, count, listed, sentence
from pipelines.bands.moved import LEAST_MOVED

LATELY, BEFORE = timedelta(days=30), timedelta(days=60)  # a month, and the month it is compared with
MOST = 2  # corrections, depots, calibrations or notes named of a kind (judgement)


def together(
    tables: Mapping[str, pl.DataFrame], *, corrections: pl.DataFrame, notes: pl.DataFrame, reader: Reader
) -> list[str]:
    """One sentence a kind of thing, of those that happened within the last month; none where nothing did.

    Args:
        tables: `drift_season`, `drift_model`, `drift_moved`, `calibration_register` of one as_of; without columns where
            that state did not publish one.
        corrections: The catalogue.
        notes: `at, about, text`.
        reader: Who reads.
    """
    said = [
        _season(tables["drift_season"], tables["drift_model"], corrections, reader),
        _depots(tables["drift_moved"], corrections, reader),
        _calibrations(tables["calibration_register"], reader),
        _noted(notes, reader),
    ]
    return [words for words in said if words]


def _season(season: pl.DataFrame, model: pl.DataFrame, corrections: pl.DataFrame, reader: Reader) -> str:
    """Which corrections all vehicles moved most in, by their own healthy noise."""
    if not season.width or not model.width:
        return ""
    known = season.filter(pl.col("count") > 0)
    month, before = _since(known, reader, LATELY), _since(known, reader, BEFORE)
    level, by = pl.col("season").dot("count") / pl.col("count").sum(), pl.col("now") - pl.col("then")
    now = month.group_by("engine_family", "correction").agg(now=level)
    then = before.filter(pl.col("week_from") <= reader.as_of - LATELY)
    moved = now.join(then.group_by("engine_family", "correction").agg(then=level), on=["engine_family", "correction"])
    sigma = model.group_by("engine_family", "correction").agg(pl.col("sigma").sort_by("block_from").last())
    by_correction = (
        moved.join(sigma, on=["engine_family", "correction"])
        .group_by("correction")
        .agg(moved=by.mean(), size=(by / pl.col("sigma")).mean())
        .filter(pl.col("size").is_finite())
        .sort(pl.col("size").abs(), "correction", descending=[True, False])
    )
    large = by_correction.filter(pl.col("size").abs() >= LEAST_MOVED)
    if by_correction.is_empty():
        return ""
    if large.is_empty():
        [most] = with_catalogue(by_correction.head(1), corrections).to_dicts()
        return (
            "Weather and fuel moved the whole fleet by less than a healthy scatter against the month before; most of "
            f"all {most['title']} ({_by(most)})."
        )
    by_correction = large
    rows = with_catalogue(by_correction.head(MOST), corrections).to_dicts()
    words = [f"{row['title']} ({_by(row)})" for row in rows]
    more = by_correction.height - len(rows)
    also = f" and {count(more, 'more correction')}" if more else ""
    return (
        f"All vehicles together moved in {listed(words)}{also} against the month before, as weather and fuel do: no "
        "vehicle is called astray for that."
    )


def _by(row: Mapping[str, Any]) -> str:
    return f"{'up' if row['moved'] > 0 else 'down'} {amount(abs(row['moved']), row['unit'])}"


def _since(rows: pl.DataFrame, reader: Reader, span: timedelta) -> pl.DataFrame:
    return rows.filter(pl.col("week_from") > reader.as_of - span)


def _depots(moved: pl.DataFrame, corrections: pl.DataFrame, reader: Reader) -> str:
    """Depots whose vehicles left together what they read."""
    if not moved.width or (late := _since(moved, reader, LATELY)).is_empty():
        return ""
    firsts = late.sort(pl.col("moved").abs(), descending=True).unique(["depot", "correction"], keep="first")
    rows = with_catalogue(firsts.sort(pl.col("moved").abs(), "depot", descending=[True, False]).head(MOST), corrections)
    words = [
        f"{row['depot']} in {row['title']} ({count(row['vehicles'], 'vehicle')}, week of "
        f"{reader.day(row['week_from'])})"
        for row in rows.to_dicts()
    ]
    return f"A whole depot moved at once: {listed(words)}. Ask what was filled or changed there."


def _calibrations(register: pl.DataFrame, reader: Reader) -> str:
    if not register.width:
        return ""
    new = register.filter(pl.col("first_read_at") > reader.as_of - LATELY).sort("first_read_at", descending=True)
    if new.is_empty():
        return ""
    words = [
        f"{row['calibration']} on {count(row['vehicles'], 'vehicle')} since {reader.day(row['first_read_at'])}"
        for row in new.head(MOST).to_dicts()
    ]
    return f"A new calibration was read: {listed(words)}."


def _noted(notes: pl.DataFrame, reader: Reader) -> str:
    of_all = notes.filter(
        pl.col("about") == "fleet", pl.col("at").is_between(reader.as_of - LATELY, pl.lit(reader.as_of))
    ).sort("at", descending=True)
    words = [f"\u2018{row['text']}\u2019 ({reader.day(row['at'])})" for row in of_all.head(MOST).to_dicts()]
    return f"Noted of the whole fleet: {listed(words)}." if words else ""


def age_sentence(vehicles: pl.DataFrame, reader: Reader) -> str:
    """How old the data are: the newest reading, and by when half of the vehicles were read.

    Args:
        vehicles: `last_read_at, days_since_read`; null: never read.
        reader: Whose clock.
    """
    newest = vehicles.drop_nulls("days_since_read").sort("days_since_read")
    if newest.is_empty():
        return "No vehicle was read yet."
    half = max(round(newest["days_since_read"][newest.height // 2]), 1)
    first = f"The newest reading is of {reader.day(newest['last_read_at'][0])}"
    return (
        f"{first}." if newest.height == 1 else f"{first}; half of the vehicles were read within {count(half, 'day')}."
    )


def open_decisions(held: pl.DataFrame, *, visits: int, decided: int) -> list[tuple[str, str]]:
    """What waits for somebody to decide: words, and the page to decide it on.

    Args:
        held: Published table `held_reading`; without columns where none was published.
        visits: Vehicles with a proposed visit.
        decided: How many of these were decided on.
    """
    batches = held.filter(pl.col("decision") == "open").height if held.width else 0
    waiting = visits - decided
    return [
        *(
            [(f"{sentence(count(batches, 'batch', 'batches'))} of readings withheld until decided.", "drops")]
            if batches
            else []
        ),
        *(
            [(f"{sentence(count(waiting, 'visit'))} proposed and neither accepted nor put off.", "plan")]
            if waiting > 0
            else []
        ),
    ]
