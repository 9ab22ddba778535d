"""Addresses of pages: every selection is a query parameter, so a link opens the same view elsewhere.

A picker's parameter holds what the picker shows, so what it shows must not change with the data or the reader's zone.
"""

from dashboard.views.wording import Reader

PAGES = {  # url path -> name in the menu
    "today": "Today",
    "vehicle": "One vehicle",
    "bay": "At the vehicle",
    "recurring": "What keeps coming back",
    "plan": "Work plan",
    "trends": "Trends",
    "before_after": "Before and after",
    "peers": "Unlike their peers",
    "trust": "How far to trust it",
    "drops": "What came in",
    "query": "Ask in SQL",
    "explain": "What words mean",
}

KEPT_IN_MENU = ("as_of", "unit", "depot", "family")  # what a reader picked for one page and means for all


def shared(reader: Reader, *, newest: bool) -> dict[str, str]:
    """Parameters every page carries: the distance unit, and the published state unless it is the newest."""
    kept = {"unit": "miles"} if reader.miles else {}
    return kept if newest else {**kept, "as_of": state_name(reader)}


def state_name(reader: Reader) -> str:
    """How a published state is named in the picker and in the address: its time in UTC."""
    return reader.as_of.strftime("%Y-%m-%d %H:%M:%S UTC")
