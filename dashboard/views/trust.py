"""How far to trust the forecast: what came true of what was said, in plain words first."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.views.wording import Reader, count, listed, number, percent, sentence

UNCHECKED = (
    "The forecast of this fleet has not been checked against what came after: no backtest was run yet. Take its "
    "figures as a first estimate. To check it, analyse some past dates and hold what was said against what came:"
)
HOW_TO_CHECK = "leeway backtest --from DATE --to DATE --every DAYS"
FEWEST_FAULTS, MANY_FAULTS = 5, 20  # below: ratios are not said, or said to prove little
ENOUGH_FOR_HUNDREDS = 30  # vehicles at one level of chance; below, their own numbers are said
SAID_FROM = 0.05  # forecasts below this are said together: their bins differ by too little to read aloud

MEASURES: dict[str, tuple[str, str]] = {  # measure -> its name for a reader, what a good figure is
    "observed_over_expected": ("Faults that came, for one forecast", "1: as many came as were forecast"),
    "observed_over_expected_from_5_percent": ("The same, where 5 % or more was given", "1: as many as forecast"),
    "observed_over_expected_from_20_percent": ("The same, where 20 % or more was given", "1: as many as forecast"),
    "caught_among_first_k": ("Faults caught among the first K", "share of faults whose vehicle the workshop would see"),
    "first_k": ("K: vehicles the workshop can see in the time", ""),
    "lead_time_days": ("Lead time (days)", "from first being among the first K to the fault, median; 5 and 95 %"),
    "alerts_per_100_healthy": (
        "Alerts for 100 healthy vehicles",
        "how many of the first K had no fault; fewer is better",
    ),
    "brier": ("Brier score", "mean squared error of the chances; smaller is better"),
    "brier_skill": ("Skill against the base rate", "0: no better than saying the same for all; 1: perfect"),
    "brier_skill_above_leeway": ("Skill above that of leeway alone", "above 0: the forecast adds something"),
    "auc": ("Ranking (area under ROC)", "0.5: chance; 1: each vehicle with a fault ranked above each without"),
    "average_precision": ("Ranking (average precision)", "to be held against the share that had a fault"),
    "calibration_slope": ("Calibration slope", "1: as spread as it should be; below 1: too extreme"),
    "calibration_intercept": ("Calibration intercept", "0: neither too high nor too low overall"),
    "miscalibration_share": ("Miscalibration, share of uncertainty", "0: every chance came true as said"),
    "discrimination_share": ("Discrimination, share of uncertainty", "the larger, the more it tells vehicles apart"),
    "brier_skill_of_largest_deviation": ("Skill of the largest deviation alone", "for comparison"),
    "auc_of_largest_deviation": ("Ranking by the largest deviation alone", "for comparison"),
    "average_precision_of_largest_deviation": ("Precision by the largest deviation alone", "for comparison"),
    "rows": ("Forecasts scored", ""),
    "faults": ("Faults that came", "few faults make wide intervals"),
    "dates": ("Past dates analysed", ""),
    "outcome_not_known": ("Forecasts whose outcome is not known", "repaired before, retired, or not read since"),
}


@dataclass(frozen=True, kw_only=True)
class TrustView:
    """The page: sentences, the curve in words and as rows, the dates, and the measures."""

    sentences: list[str]
    curve: pl.DataFrame
    curve_sentences: list[str]
    watch: pl.DataFrame
    watch_sentence: str
    measures: pl.DataFrame
    empty_reason: str = ""


def trust(
    forecast_check: pl.DataFrame, curve: pl.DataFrame, watch: pl.DataFrame, *, horizon_days: int, reader: Reader
) -> TrustView:
    """What the newest backtest says of one horizon.

    Args:
        forecast_check: Published table.
        curve: `horizon_days, forecast, observed, low, high, vehicles, faults`, one row a level of forecast.
        watch: `horizon_days, forecast_at, expected, observed, low, high, inside`, one row a date.
        horizon_days: 7, 30 or 90.
        reader: Whose clock it is written for.
    """
    mine = _of(forecast_check, horizon_days)
    levels, dates = _of(curve, horizon_days), _of(watch, horizon_days)
    found = {row["measure"]: row for row in mine.to_dicts() if row["value"] is not None}
    return TrustView(
        sentences=[said for said in (_basis(found), _ratio(found), _caught(found), _better(found)) if said],
        curve=levels,
        curve_sentences=_curve_sentences(levels, horizon_days),
        watch=dates.with_columns(on=_days(dates, reader)) if dates.height else dates,
        watch_sentence=_watch_sentence(dates, reader),
        measures=_measures(mine),
        empty_reason="" if mine.height else UNCHECKED,
    )


def _of(frame: pl.DataFrame, horizon_days: int) -> pl.DataFrame:
    return frame.filter(pl.col("horizon_days") == horizon_days) if frame.width else frame


def _basis(found: Mapping[str, Mapping[str, Any]]) -> str:
    if "rows" not in found:
        return ""
    rows, faults = int(found["rows"]["value"]), int(found.get("faults", {}).get("value", 0))
    dates = int(found.get("dates", {}).get("value", 1))
    few = " So few faults prove little." if faults < MANY_FAULTS else ""
    made = f"{count(rows, 'forecast')} made at {count(dates, 'past date')}"
    return f"Held against what came: {made}, {count(faults, 'fault')}.{few}"


def _ratio(found: Mapping[str, Mapping[str, Any]]) -> str:
    ratio, faults = found.get("observed_over_expected"), found.get("faults", {}).get("value", 0)
    if ratio is None or faults < FEWEST_FAULTS:
        return ""
    interval = _interval(ratio, scale=100)
    return f"For every 100 faults forecast, {number(100 * ratio['value'])} came{interval}."


def _caught(found: Mapping[str, Mapping[str, Any]]) -> str:
    caught, first = found.get("caught_among_first_k"), found.get("first_k")
    if caught is None or first is None or first["value"] < 0.5:
        return ""
    lead = found.get("lead_time_days")
    when = f", {number(lead['value'])} days ahead in the middle case" if lead else ""
    return (
        f"Seeing the {number(first['value'])} vehicles with the highest chance, which is what the workshop can do in "
        f"that time, would have caught {percent(caught['value'])} of the faults{when}."
    )


def _better(found: Mapping[str, Mapping[str, Any]]) -> str:
    gain = found.get("brier_skill_above_leeway")
    if gain is None or gain["low"] is None:
        return ""
    if gain["low"] > 0:
        return "It tells more than the leeway alone."
    if gain["high"] < 0:
        return "It tells less than the leeway alone would: look at the leeway first."
    return "It cannot be told yet whether it says more than the leeway alone."


def _curve_sentences(levels: pl.DataFrame, horizon_days: int) -> list[str]:
    """'Of 100 vehicles given 30 %, 28 had a fault within 30 days', a line a level."""
    rows = levels.to_dicts()
    return [_level(row, horizon_days) for row in rows if row["forecast"] >= SAID_FROM] or [
        _level(row, horizon_days) for row in rows[-1:]
    ]


def _level(row: Mapping[str, Any], horizon_days: int) -> str:
    given = f"given {percent(row['forecast'])}"
    if row["vehicles"] < ENOUGH_FOR_HUNDREDS:
        faults = count(row["faults"], "fault")
        return f"{count(row['vehicles'], 'vehicle').capitalize()} {given}: {faults} within {horizon_days} days."
    came = number(100 * row["observed"])
    return (
        f"Of 100 vehicles {given}, {came} had a fault within {horizon_days} days{_interval(row, scale=100)}; "
        f"from {count(row['vehicles'], 'vehicle')}."
    )


def _interval(row: Mapping[str, Any], *, scale: float) -> str:
    if row["low"] is None or row["high"] is None:
        return ""
    return f" (between {number(scale * row['low'])} and {number(scale * row['high'])})"


def _days(dates: pl.DataFrame, reader: Reader) -> pl.Series:
    return pl.Series([reader.short_day(at) for at in dates.get_column("forecast_at")], dtype=pl.String)


def _watch_sentence(dates: pl.DataFrame, reader: Reader) -> str:
    """Whether faults still come as forecast, date by date: the drift of the forecast itself."""
    if not dates.height:
        return ""
    outside = dates.filter(~pl.col("inside")).sort("forecast_at")
    if not outside.height:
        return "After every date as many faults came as chance allows around what was forecast."
    said = [
        f"{how} faults came than chance allows after {listed(reader.day(at) for at in some.get_column('forecast_at'))}"
        for how, which in (
            ("more", pl.col("observed") > pl.col("expected")),
            ("fewer", pl.col("observed") < pl.col("expected")),
        )
        if (some := outside.filter(which)).height
    ]
    recent = dates.sort("forecast_at").get_column("inside")[-1]
    warning = "" if recent else " The newest is among them: the forecast may be losing its hold."
    return f"{sentence('; '.join(said))}.{warning}"


def _measures(mine: pl.DataFrame) -> pl.DataFrame:
    order = {measure: place for place, measure in enumerate(MEASURES)}
    names = {measure: name for measure, (name, _) in MEASURES.items()}
    meanings = {measure: meaning for measure, (_, meaning) in MEASURES.items()}
    return (
        mine.with_columns(place=pl.col("measure").replace_strict(order, default=len(order), return_dtype=pl.Int32))
        .sort("place", "measure")
        .select(
            name=pl.col("measure").replace_strict(names, default=pl.col("measure").str.replace_all("_", " ")),
            value="value",
            low="low",
            high="high",
            reference="reference",
            meaning=pl.col("measure").replace_strict(meanings, default="", return_dtype=pl.String),
        )
    )


def unchecked_warning(forecast_check: pl.DataFrame) -> str:
    """What other pages say beside a forecast that was never checked; empty where it was."""
    return "" if forecast_check.height else "The forecast is unchecked: no backtest was run yet."
