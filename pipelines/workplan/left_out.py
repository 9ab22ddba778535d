"""Why a vehicle that needs hands has no visit, in words that say what would change it. Plain data in, sentences out."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from pipelines.figure_words import day_words
from pipelines.workplan.calendar import Depot
from pipelines.workplan.options import Days, Row, over_days

NOR_ELSEWHERE = " No other depot has room for it at a cost that pays."


@dataclass(frozen=True, kw_only=True)
class Unplaced:
    """A job without a visit: whether some day was open to it, whether people took it off the plan.

    others_asked: other depots might have taken it, and none did.
    """

    row: Row
    place: Depot
    had_days: bool
    away: bool
    others_asked: bool

    @property
    def crowd(self) -> tuple[str, bool]:
        """Depot, and whether it is due this week: those that lack the same hours."""
        return self.place.name, self.row["urgency"] == "this_week"


@dataclass(frozen=True, kw_only=True)
class Overload:
    """Jobs of one depot that no bay has hours for."""

    jobs: int
    hours: float


def overload(unplaced: Iterable[Unplaced]) -> dict[tuple[str, bool], Overload]:
    """By depot, and whether due this week: the jobs that had days and found no bay, and the hours that they want."""
    found: dict[tuple[str, bool], Overload] = {}
    for one in unplaced:
        if one.had_days and not one.away:
            so_far = found.get(one.crowd, Overload(jobs=0, hours=0.0))
            wanted = one.row["labour_hours"] + one.row["routine_hours"]
            found[one.crowd] = Overload(jobs=so_far.jobs + 1, hours=so_far.hours + wanted)
    return found


def left_out_reason(one: Unplaced, days: Days, crowded: Mapping[tuple[str, bool], Overload]) -> str:
    """The sentence of one vehicle; what binds is said with its reason and what can be done.

    Args:
        one: The job.
        days: What its days are bound by.
        crowded: As `overload` gives it.
    """
    said = _why(one, days, crowded)
    urgency, because = one.row["urgency"], one.row["urgency_reason"] or ""
    if urgency == "off_road":
        return f"It must not be driven and stays parked: {said} {because}".strip()
    if urgency == "this_week" and not one.away:
        return f"Due this week and not planned: {said} {because}".strip()
    return said


def _why(one: Unplaced, days: Days, crowded: Mapping[tuple[str, bool], Overload]) -> str:
    decision = days.decided.get(one.row["vehicle_id"])
    if one.away and decision is not None:
        return _away(decision.value, day_words(decision.entered_at, days.today), decision.because, decision.day, days)
    if one.had_days:
        return _crowded(one, crowded[one.crowd]) + (NOR_ELSEWHERE if one.others_asked else "")
    if decision is not None and decision.fixed and decision.day is not None:
        chosen = f"{day_words(decision.day, days.today)}, the day chosen{decision.because}"
        return f"{_depot(one)} is not open for it on {chosen}."
    if not one.place.bays or one.place.hours <= 0:
        return f"{_depot(one)} has no bay."
    if decision is not None and decision.value == "put_off" and decision.day is not None:
        return f"Put off until {day_words(decision.day, days.today)}{decision.because}."
    return _no_day(one, days)


def _away(value: str, on: str, because: str, until: date | None, days: Days) -> str:
    holds = f", until {day_words(until, days.today)}" if until is not None else ""
    words = {
        "dismiss": f"Dismissed on {on}{holds}{because}.",
        "exclude": f"Kept out of the plan since {on}{holds}{because}.",
        "start": f"In the workshop since {on}.",
        "done": f"Done, as entered on {on}{because}; it counts with the next analysis.",
    }
    return words[value]


def _crowded(one: Unplaced, load: Overload) -> str:
    jobs = "1 job does" if load.jobs == 1 else f"{load.jobs} jobs do"
    hours = f"{load.hours:.0f}" if load.hours >= 10 else f"{load.hours:.1f}".removesuffix(".0")
    within = " within seven days" if one.row["urgency"] == "this_week" else ""
    at = one.place.name or "the bays"
    return f"{jobs} not fit{within}: {hours} hour{'' if hours == '1' else 's'} missing at {at}."


def _no_day(one: Unplaced, days: Days) -> str:
    """It had no day at all: it pays later, the depot is closed, the vehicle cannot be spared, or the part is late."""
    row, place = one.row, one.place
    if row["urgency"] == "plan" and row["pays_from"] is not None and row["pays_from"] > days.today:
        begins = day_words(row["pays_from"], days.today)
        if not any(day >= row["pays_from"] for day in place.days):
            return f"A visit pays from {begins} on: until then waiting is expected to cost less."
    hours = over_days(row["labour_hours"] + row["routine_hours"], place.hours)
    open_days = [day for day in place.days if days.may_be_on(row, day, place)]
    if not open_days:
        after = next((day for day in place.days if day > days.today), None)
        opens = f"; it opens on {day_words(after, days.today)}" if after is not None else ""
        return f"{_depot(one)} is closed on every day that serves{opens}."
    if row["vehicle_id"] in days.windows:
        return _not_spared(one, days)
    return f"The work takes {len(hours)} days, and {_depot(one)} has no such run of days in the plan."


def _not_spared(one: Unplaced, days: Days) -> str:
    hours = one.row["labour_hours"] + one.row["routine_hours"]
    coming = [
        max(begin, days.evidence.as_of)
        for begin, end in sorted(days.windows[one.row["vehicle_id"]])
        if end - max(begin, days.evidence.as_of) >= timedelta(hours=hours)
    ]
    if not coming:
        return "It can be spared on no day of the plan for so long: swap, or park it."
    return f"It can only be spared on {day_words(coming[0], days.today)}: swap, or park it."


def _depot(one: Unplaced) -> str:
    return one.place.name or "The depot"
