"""Why a vehicle stands in the work plan, as a plain sentence with its figures."""

from typing import Any

from pipelines.wording import percent
from pipelines.workplan.calendar import Depot
from pipelines.workplan.urgency import STRAYS


def reason(row: dict[str, Any], place: Depot, *, waiting: int, from_stock: bool, windows: bool, held_back: bool) -> str:
    """Sentences on the risk, the likely cause, the costs, and what bound the plan.

    Args:
        row: The job as `jobs` gives it.
        place: Its depot.
        waiting: Vehicles of this depot that were worth a visit and found no bay.
        from_stock: It uses a part on hand because a new one could not have come by then.
        windows: The fleet says when the vehicle can be spared.
        held_back: It should be seen this week and cannot be spared sooner.
    """
    chance = f"Chance of a fault: {percent(row['p30'])} within 30 days, {percent(row['p90'])} within 90"
    code = f" (most likely {row['likely_code']})" if row["likely_code"] else ""
    said = [order] if (order := _order(row)) else []
    if row["asks"] == "work":
        costs = f"Planned now it costs {row['cost_now']:.0f}, waiting {row['cost_if_waiting']:.0f}"
        said += [f"{chance}{code}; {_trouble(row)}.", f"{costs} (expected over 90 days)."]
    if row["routine"]:
        said.append("Joined with routine work that is due.")
    if held_back:
        said.append("It should be seen this week but cannot be spared before this day: free it sooner if you can.")
    elif windows:
        said.append("On a day when the vehicle can be spared.")
    if from_stock:
        said.append("Uses the part on hand.")
    if waiting:
        others = "1 vehicle that is" if waiting == 1 else f"{waiting} vehicles that are"
        said.append(f"The bays are full: {others} worth a visit must wait, those that lose least by it.")
    if place.assumed:
        bays = "1 bay" if place.bays == 1 else f"{place.bays} bays"
        said.append(f"The depot has no row in bays: {bays} of {place.hours:g} h, Mon-Fri, assumed.")
    return " ".join(said)


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
