"""How the reader reads: units, time zone and form of dates, picked in the menu and kept in the address."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import streamlit as st

from dashboard.views.dates import CHARTS, DAY_FIRST, FORMS, TABLES, pattern
from pipelines.explain import column_help

UNITS, DEGREES = ("km", "miles"), ("Celsius", "Fahrenheit")
THIS_DEVICE = "as on this device"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What was picked: distances, temperatures, the zone and the form of dates."""

    miles: bool
    fahrenheit: bool
    zone: ZoneInfo
    dates: str


def pick() -> None:
    """The choices, in a popover of the menu; each stands in the address."""
    with st.popover("Units, dates, time zone", type="tertiary", key="settings"):
        st.segmented_control("Distances in", UNITS, default=UNITS[0], required=True, key="unit", bind="query-params")
        st.segmented_control(
            "Temperatures in", DEGREES, default=DEGREES[0], required=True, key="degrees", bind="query-params"
        )
        st.segmented_control("Dates with", FORMS, default=DAY_FIRST, required=True, key="dates", bind="query-params")
        st.selectbox("Time zone", zones(), key="zone", bind="query-params")


@cache
def zones() -> list[str]:
    """What is offered: the reader's own first, then places by name."""
    places = sorted(name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "posix/")))
    return [THIS_DEVICE, "UTC", *places]


def settings() -> Settings:
    """What holds now: as it was picked on this page, else as the address says."""
    return Settings(
        miles=_picked("unit") == "miles",
        fahrenheit=_picked("degrees") == "Fahrenheit",
        zone=zone_named(_picked("zone")) or device_zone(),
        dates=dates if (dates := _picked("dates")) in FORMS else DAY_FIRST,
    )


def _picked(name: str) -> str:
    return str(st.session_state.get(name) or st.query_params.get(name, ""))


def picked_zone() -> str:
    """The name of the zone that was picked; empty: that of the reader's device."""
    name = _picked("zone")
    return "" if name == THIS_DEVICE or zone_named(name) is None else name


def device_zone() -> ZoneInfo:
    """The zone of the reader's browser; UTC where it tells none that is known here."""
    return zone_named(st.context.timezone or "") or ZoneInfo("UTC")


@cache
def zone_named(name: str) -> ZoneInfo | None:
    """The zone of that name; None: there is none."""
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def columns_as_read(columns: Mapping[str, Any]) -> dict[str, Any]:
    """How columns of a table are shown: days in the reader's form, times in their zone, what they mean as help."""
    now, said = settings(), column_help()
    return {
        name: {**_column_as_read(how, now), "help": how.get("help") or said.get(name)} for name, how in columns.items()
    }


def _column_as_read(how: Any, now: Settings) -> Any:
    kind = how.get("type_config") or {}
    if kind.get("type") not in {"date", "datetime"} or not kind.get("format"):
        return how
    by_utc = kind["type"] == "date" or kind.get("timezone") == "UTC"  # whole days and weeks, which have no hour
    zone = {} if by_utc else {"timezone": now.zone.key}
    return {**how, "type_config": {**kind, "format": pattern(kind["format"], now.dates, TABLES), **zone}}


def chart_as_read(part: Any) -> Any:
    """A chart's specification, or a part of it, with days in the reader's form."""
    form = settings().dates
    return part if form == DAY_FIRST else _rewritten(part, form)


def _rewritten(part: Any, form: str) -> Any:
    if isinstance(part, list):
        return [_rewritten(each, form) for each in part]
    if not isinstance(part, dict):
        return part
    return {name: _at(name, value, form) for name, value in part.items()}


def _at(name: str, value: Any, form: str) -> Any:
    if name == "datasets":
        return value
    return pattern(value, form, CHARTS) if name == "format" and isinstance(value, str) else _rewritten(value, form)
