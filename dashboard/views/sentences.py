"""One correction's state as a plain sentence: what moved, since when, how fast, and when it meets its limit."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from dashboard.views.wording import Reader, amount, sentence

Row = Mapping[str, Any]
FAR = timedelta(days=730)  # a date beyond it says no more than that there is time
USED_UP_PCT = 0.5  # leeway that is said as 0 %
STILL = {  # state -> what is said of a correction that neither drifts nor stands outside
    "relearning": "is relearning: it was set back lately and is on its way to its normal level",
    "not_learning": "stands still to the last digit although the vehicle is used: it is not learning",
    "not_read": "was not read lately",
    "not_fitted": "is not fitted to this engine family",
}


def correction_sentence(row: Row, reader: Reader) -> str:
    """What one row of `correction_state` says.

    Args:
        row: Columns of correction_state with `title` and `unit` of the catalogue beside them.
        reader: Whose clock and distance it is written for.
    """
    title = sentence(str(row["title"]))
    stands = f"{title} stands {_away(row)} what this vehicle should read{_since(row, reader)}"
    if row["state"] == "drifting" and _coming_back(row):
        return f"{stands} and is coming back {_pace(row)}."
    if row["state"] == "drifting":
        return f"{title} has {_movement(row, reader)}{_inside(row)}; {_limit(row, reader)}."
    if row["state"] == "outside":
        return f"{stands}; {_limit(row, reader)}."
    if row.get("changed_at") is not None:
        return f"{title} moved about {reader.day(row['changed_at'])} and has held since: its new normal."
    return f"{title} {STILL.get(row['state'], 'is where it should be')}."


def short_sentence(row: Row, reader: Reader) -> str:
    """The same in a few words, for a table cell: 'climbing 0.9 % a month since 12 March'."""
    onset = row["onset_at"] or row["alarm_at"]
    since = f" since {reader.short_day(onset)}" if onset is not None else ""
    if row["state"] == "drifting" and not _coming_back(row):
        return f"{'climbing' if _rising(row) else 'falling'} {_pace(row)}{since}"
    if row["state"] in {"drifting", "outside"}:
        return f"{_away(row)} expected{since}"
    return str(row["state"]).replace("_", " ")


def limit_dates(low: datetime | None, middle: datetime | None, high: datetime | None, reader: Reader) -> str:
    """When the limit is met, as words that follow 'it': eight in ten such forecasts should hold the date."""
    if low is None and middle is None:
        return "is not expected to meet its limit"
    earliest = low or middle
    assert earliest is not None  # noqa: S101 - one of the two is there
    if earliest <= reader.as_of:
        return "is at its limit or about to meet it"
    if earliest > reader.as_of + FAR:
        return "does not meet its limit within two years"
    if high is None:
        return f"may meet its limit from {reader.day(earliest)} on, or level off before"
    return f"meets its limit {reader.between(earliest, high)}"


def _limit(row: Row, reader: Reader) -> str:
    if row.get("leeway_pct") is not None and row["leeway_pct"] < USED_UP_PCT:
        return f"it stands at its limit now{_no_code(row)}"
    words = limit_dates(row["limit_at_p10"], row["limit_at_p50"], row["limit_at_p90"], reader) + _no_code(row)
    return f"at this rate it {words}" if words.startswith(("meets", "may", "does")) else f"it {words}"


def _no_code(row: Row) -> str:
    """', which sets no code' where the catalogue names none for either limit; a row without its words says nothing."""
    known = "fault_high" in row and "fault_low" in row
    return ", which sets no code" if known and not row["fault_high"] and not row["fault_low"] else ""


def _rising(row: Row) -> bool:
    rate = row["rate_per_30d"]
    return bool((row["deviation"] or 0) >= 0) if rate is None or rate == 0 else bool(rate > 0)


def _coming_back(row: Row) -> bool:
    """It stands off on one side and moves back towards what is expected."""
    rate, deviation = row["rate_per_30d"], row["deviation"]
    return bool(rate is not None and deviation is not None and rate * deviation < 0)


def _pace(row: Row) -> str:
    rate = row["rate_per_30d"]
    return "slowly" if rate is None else f"{amount(abs(rate), row['unit'])} a month"


def _movement(row: Row, reader: Reader) -> str:
    return f"{'climbed' if _rising(row) else 'fallen'} {_pace(row)}{_since(row, reader)}"


def _inside(row: Row) -> str:
    """', still inside its band' where the smoothed level has not left it: the readings together say that it moves."""
    known = [row[name] for name in ("expected", "deviation", "band_low", "band_high") if row.get(name) is not None]
    if len(known) < 4:
        return ""
    expected, deviation, low, high = known
    return ", still inside its band" if low <= expected + deviation <= high else ""


def _since(row: Row, reader: Reader) -> str:
    onset = row["onset_at"] or row["alarm_at"]
    return f" since {reader.day(onset)}" if onset is not None else ""


def _away(row: Row) -> str:
    deviation = row["deviation"]
    if deviation is None:
        return "away from"
    return f"{amount(abs(deviation), row['unit'])} {'above' if deviation > 0 else 'below'}"
