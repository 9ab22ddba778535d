"""Views and lists that are kept under names: what is entered, what comes back, what is refused."""

from datetime import UTC, datetime

import polars as pl
import pytest

from dashboard.views.saved_views import KeptList, KeptView, Removed, kept_lists, kept_views, listed_in, selection_of
from pipelines.catalogue.tables import entry_columns
from pipelines.entries.checking import refusal_of
from pipelines.entries.standing import counting

ADDRESS = {"look": ["Two groups"], "first": ["depot: Saltings & Co", "fuel: petrol"], "correction": ["Idle trim, °C"]}


def record(*entries) -> pl.DataFrame:
    """A record in which these stand, in their order."""
    names = ("who", "kind", "value", "detail", "withdraws")
    rows = [{name: getattr(entry, name) for name in names} for entry in entries]
    common = {"entered_at": datetime(2031, 5, 20, tzinfo=UTC)}
    return pl.DataFrame(
        [{**common, "entry_id": f"e{place}", **row} for place, row in enumerate(rows)], schema=entry_columns().schema
    )


def view(title="Saltings", **words):
    given = {"title": title, "page": "trends", "address": ADDRESS, "name": "Anna", "client_key": "k"}
    return KeptView(**{**given, **words})


def test_a_view_comes_back_as_it_was_picked_under_its_name():
    entry = view().entry("p-1")
    assert refusal_of(entry) is None
    (row,) = kept_views(record(entry), {"p-1": "Anna Berg"}, "trends").to_dicts()
    assert (row["name"], row["who"], row["id"]) == ("Saltings", "Anna Berg", "e0")
    assert selection_of(row["address"]) == ADDRESS
    assert kept_views(record(entry), {}, "peers").is_empty()


def test_of_one_name_the_newest_stands_and_what_was_removed_is_gone():
    other = view(address={"look": ["In time"]})
    two = record(view().entry("p-1"), other.entry("p-1"))
    (row,) = kept_views(two, {}, "trends").to_dicts()
    assert selection_of(row["address"]) == {"look": ["In time"]}
    gone = Removed(entry_id="e0", name="Anna", client_key="k").entry("p-1")
    assert kept_views(counting(record(view().entry("p-1"), gone)), {}, "trends").is_empty()


def test_a_list_holds_each_vehicle_once_and_only_those_of_the_fleet():
    typed = KeptList(title="spring", typed="V1, V2\nV1;V3\n", known=["V1", "V2", "V3"], name="Anna", client_key="k")
    assert not typed.problem
    entry = typed.entry("p-1")
    assert refusal_of(entry) is None
    assert kept_lists(record(entry), {}) == {"spring": ["V1", "V2", "V3"]}
    assert listed_in(" \n") == []


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (view(title=" "), "Give the view a name."),
        (view(name=""), "Say who keeps the view"),
        (KeptList(title="x", typed="V9", known=["V1"], name="A", client_key="k"), "Not in this fleet: V9."),
        (KeptList(title="x", typed="", known=["V1"], name="A", client_key="k"), "The list is empty"),
        (Removed(entry_id="e1", name="", client_key="k"), "Say who removes it"),
    ],
)
def test_what_is_still_missing_is_said(typed, said):
    assert said in typed.problem
