"""Addresses of pages: every selection is a query parameter, so a link opens the same view elsewhere.

A picker's parameter holds what the picker shows, so what it shows must not change with the data or the reader's zone.
"""

from dashboard.views.dates import DAY_FIRST
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
    "runs": "How it runs",
    "begin": "Getting started",
    "explain": "What words mean",
}

PAGE_RIGHTS = {"query": "query", "runs": "runs"}  # pages that need more than seeing the fleet
READ_BY = ("unit", "degrees", "dates", "zone")  # how a reader reads
TO_PRINT = "print"  # parameter of a page that is opened to be printed
KEPT_IN_MENU = ("as_of", *READ_BY, "depot", "family")  # what a reader picked for one page and means for all


def shared(reader: Reader, *, newest: bool, zone: str = "") -> dict[str, str]:
    """Parameters every page carries: how the reader reads, and the published state unless it is the newest.

    Args:
        reader: Who reads.
        newest: Whether it is the newest state.
        zone: A time zone that was picked; empty: that of the reader's device.
    """
    kept = {
        "unit": "miles" if reader.miles else "",
        "degrees": "Fahrenheit" if reader.fahrenheit else "",
        "dates": "" if reader.dates == DAY_FIRST else reader.dates,
        "zone": zone,
        "as_of": "" if newest else state_name(reader),
    }
    return {name: value for name, value in kept.items() if value}


def state_name(reader: Reader) -> str:
    """How a published state is named in the picker and in the address: its time in UTC."""
    return reader.as_of.strftime("%Y-%m-%d %H:%M:%S UTC")
