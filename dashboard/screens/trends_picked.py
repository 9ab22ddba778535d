"""What the looks of the page of trends have in common: the pickers, and what was picked, as an address keeps it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time

import polars as pl
import streamlit as st

from dashboard import as_read, entered, published
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.screens.settings import settings
from dashboard.views import factors
from dashboard.views.dates import INPUTS
from dashboard.views.joined import Choice, choices, distinct_titles
from dashboard.views.notes import About
from dashboard.views.spread import MEASURES, RAW
from dashboard.views.trends import most_moved

NO_SECOND = "nothing more"


@dataclass(kw_only=True)
class Picked:
    """What was picked so far.

    Attributes:
        look: The look at it.
        correction: Code.
        named: By the name of each parameter of the address, what stands in it.
    """

    look: str
    correction: str
    named: dict[str, list[str]] = field(default_factory=dict)

    def keep(self, name: str, shown: Sequence[str]) -> None:
        """Have a parameter stand in the address of this view."""
        if shown:
            self.named[name] = list(shown)

    def address(self, frame: Frame) -> dict[str, list[str]]:
        """Everything that was picked of what is shown; the state too, where it is not the newest."""
        titles = titles_of(frame.reader.as_of)
        state = {name: [value] for name, value in frame.carried.items() if name == "as_of"}
        return {"look": [self.look], "correction": [titles[self.correction]], **self.named, **state}

    @property
    def unit(self) -> str:
        """Of the correction, in words."""
        return as_read.unit_of(self.correction, fahrenheit=settings().fahrenheit)


def moved(as_of: datetime) -> pl.DataFrame:
    """Every correction with how many vehicles stray in it, most first."""
    return published.kept(
        "moved", as_of, build=lambda: most_moved(published.astray_by_correction(as_of), published.corrections())
    )


def titles_of(as_of: datetime) -> dict[str, str]:
    """Corrections that were read, those in which most vehicles stray first: what a picker shows, by code."""
    return published.kept(
        "titles", as_of, build=lambda: distinct_titles(moved(as_of).get_column("code"), published.corrections())
    )


def pick_correction(as_of: datetime) -> str:
    """The correction that the page is about."""
    titles = titles_of(as_of)
    code: str = st.selectbox(
        "Correction", list(titles), key="correction", bind="query-params", format_func=lambda each: titles[each]
    )
    return code


def pick_factors(picked: Picked, frame: Frame) -> list[str]:
    """One or two factors to compare by."""
    known = factors.offered(published.places(frame.reader.as_of), values_of(picked, frame))
    named = {factors.FACTORS[name]: name for name in known}
    first: str = st.segmented_control(
        "Compare by", list(named), default=next(iter(named)), required=True, key="by", bind="query-params"
    )
    picked.keep("by", [first])
    rest = [name for name in named if name != first]
    if not rest:
        return [named[first]]
    second = st.selectbox("and by", [NO_SECOND, *rest], key="and_by", bind="query-params")
    if second == NO_SECOND:
        return [named[first]]
    picked.keep("and_by", [second])
    return [named[second], named[first]]


def pick_choice(picked: Picked, frame: Frame) -> Choice:
    """Families, depots and calibrations to keep."""
    places, values = published.places(frame.reader.as_of), values_of(picked, frame)
    families = shared.picked("Engine family", choices(places, "engine_family"), "family")
    depots = shared.picked("Depot", choices(places, "depot"), "depot")
    calibrations = shared.picked(
        "Calibration",
        published.kept(
            "calibrations", picked.correction, frame.reader.as_of, build=lambda: choices(values, "calibration")
        ),
        "calibration",
    )
    for name, each in (("family", families), ("depot", depots), ("calibration", calibrations)):
        picked.keep(name, each)
    return Choice(depot=depots, engine_family=families, calibration=calibrations)


def pick_measure(picked: Picked) -> str:
    """Whether values stand as read, or against those of their family."""
    measure: str = st.segmented_control(
        "Values",
        MEASURES,
        default=RAW,
        required=True,
        key="values",
        bind="query-params",
        help="Against its family: distance from the median of the engine family's vehicles at that time, in times "
        "their usual spread. So families can be compared.",
    )
    picked.keep("values", [measure])
    return measure


def pick_day(picked: Picked, frame: Frame) -> datetime:
    """The end of a day up to the state's time."""
    newest = frame.reader.local(frame.reader.as_of).date()
    form = INPUTS[frame.reader.dates]
    on: date = st.date_input("On", newest, max_value=newest, key="on", bind="query-params", format=form) or newest
    if on == newest:
        return frame.reader.as_of
    picked.keep("on", [on.isoformat()])
    return datetime.combine(on, time.max, tzinfo=frame.reader.zone).astimezone(UTC)


def values_of(picked: Picked, frame: Frame) -> pl.DataFrame:
    """Readings of the correction that was picked."""
    return as_read.values(picked.correction, frame.reader)


def abouts_of(choice: Choice, frame: Frame) -> list[About]:
    """What notes may be about: the fleet, and the depots that are shown."""
    depots = choice.depot or choices(published.places(frame.reader.as_of), "depot")
    return [About(), *(About(depot=depot) for depot in depots)]


def notes_between(abouts: Sequence[About], first: datetime | None, frame: Frame) -> pl.DataFrame:
    """Notes about these from a time to that of the state; none where nothing is drawn."""
    notes = entered.notes().filter(pl.col("about").is_in([about.name for about in abouts]))
    if first is None:
        return notes.clear()
    return notes.filter(pl.col("at").is_between(first, frame.reader.as_of))
