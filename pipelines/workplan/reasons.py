"""Why a vehicle stands in the work plan, as a plain sentence with its figures."""

from datetime import date
from typing import Any

from pipelines.figure_words import day_words, percent
from pipelines.workplan.calendar import Depot
from pipelines.workplan.options import THIS_WEEK, Days
from pipelines.workplan.urgency import STRAYS


def reason(row: dict[str, Any], place: Depot, days: Days, *, day: date, from_stock: bool) -> str:
    """Sentences on the urgency, the risk, the likely cause, the costs, and what bound the day.

    Args:
        row: The job as `jobs` gives it, with its routine work.
        place: Its depot.
        days: What binds the days.
        day: The visit's day.
        from_stock: It uses a part on hand because a new one could not have come by then.
    """
    chance = f"Chance of a fault: {percent(row['p30'])} within 30 days, {percent(row['p90'])} within 90"
    code = f" (most likely {row['likely_code']})" if row["likely_code"] else ""
    said = [order] if (order := _order(row)) else []
    risk = f"{_trouble(row)}." if "Chance of a fault" in order else f"{chance}{code}; {_trouble(row)}."
    if row["asks"] == "work":
        now = row["cost_now"] + days.transfer_cost(row, place)
        costs = f"Planned now it costs {now:.0f}, waiting {row['cost_if_waiting']:.0f}"
        said += [f"{risk[:1].upper()}{risk[1:]}", f"{costs} (expected over 90 days)."]
    if days.is_away(row, place):
        way = f"{days.costs.transfer_hours:g} h each way, {days.transfer_cost(row, place):.0f} for it"
        said.append(f"{row['depot']} has no room for it in time, so it goes to {place.name} ({way}).")
    if row["lane"] == "dealer":
        said.append("Under warranty: the dealer does it at no own cost.")
    if row["routine"]:
        said.append("Joined with routine work that is due.")
    said += _day_bound(row, days, day)
    if from_stock:
        said.append("Uses the part on hand.")
    if place.assumed and row["lane"] == "bay":
        bays = "1 bay" if place.bays == 1 else f"{place.bays} bays"
        said.append(f"The depot has no row in bays: {bays} of {place.hours:g} h, Mon-Fri, assumed.")
    return " ".join(said)


def _day_bound(row: dict[str, Any], days: Days, day: date) -> list[str]:
    """What fixed the day: a person, the windows in which it can be spared, or the day from which it pays."""
    said = []
    decision = days.decided.get(row["vehicle_id"])
    fixed = decision is not None and decision.fixed
    if decision is not None and fixed:
        word = "Accepted" if decision.value == "accept" else "Pinned"
        said.append(f"{word} for this day{decision.because}.")
        if row["urgency"] == "this_week" and day > days.today + THIS_WEEK:
            said.append("It is due this week.")
    if decision is not None and decision.value == "put_off" and decision.day is not None:
        said.append(f"Put off until {day_words(decision.day, days.today)}{decision.because}.")
    if row["urgency"] == "off_road" and day > days.today:
        said.append("It stays parked until then.")
    elif row["vehicle_id"] in days.windows and not fixed and row["urgency"] != "off_road":
        said.append("On a day when the vehicle can be spared.")
    if row["asks"] == "work" and row["lane"] == "bay" and row["pays_from"] is None:
        said.append("By these figures no day is foreseen from which it costs less than waiting.")
    elif row["pays_from"] is not None and row["pays_from"] > days.today:
        said.append(f"It pays from {day_words(row['pays_from'], days.today)} on.")
    return said


def _order(row: dict[str, Any]) -> str:
    """How soon, and why; empty where the published state gives no reason."""
    begin = {"off_road": "Take it off the road at once.", "this_week": "This week."}.get(row["urgency"], "")
    return " ".join(part for part in (begin, row["urgency_reason"]) if part)


def _trouble(row: dict[str, Any]) -> str:
    """The likely cause, else what strays."""
    if row["cause_title"] is not None:
        return f"likely {row['cause_title']}{row['place'] or ''} ({percent(row['chance'])})"
    if row["state"] in STRAYS and row["correction_title"] is not None:
        return f"{row['correction_title']} strays"
    return "no cause stands out"
