"""Views of a page that somebody kept under a name, and lists of vehicles: entries in, links and forms out."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs, urlencode

import polars as pl

from dashboard.views.notes import LONGEST_NAME
from pipelines.entries.entry import Entry

LONGEST_TITLE = 80
KEPT = pl.Schema({"name": pl.String(), "address": pl.String(), "who": pl.String(), "id": pl.String()})
Address = Mapping[str, Sequence[str]]


def kept_views(entries: pl.DataFrame, people: Mapping[str, str], page: str) -> pl.DataFrame:
    """Views of a page that were kept, by name: KEPT; of those of one name the newest.

    Args:
        entries: Those that count.
        people: Names by key.
        page: Its path.
    """
    return _named(entries, people, "view", "address").filter(pl.col("address").str.starts_with(f"{page}?"))


def kept_lists(entries: pl.DataFrame, people: Mapping[str, str]) -> dict[str, list[str]]:
    """Vehicles by the names of the lists that were kept; of those of one name the newest."""
    return {row["name"]: listed_in(row["address"]) for row in _named(entries, people, "list", "vehicles").to_dicts()}


def _named(entries: pl.DataFrame, people: Mapping[str, str], kind: str, detail: str) -> pl.DataFrame:
    found = entries.filter(pl.col("kind") == kind).sort("entry_id").unique("value", keep="last", maintain_order=True)
    return (
        found.select(
            name="value",
            address=pl.col("detail").str.json_path_match(f"$.{detail}"),
            who=pl.col("who").replace_strict(people, default=pl.col("who"), return_dtype=pl.String),
            id="entry_id",
        )
        .drop_nulls("address")
        .cast(KEPT)
        .sort(pl.col("name").str.to_lowercase(), "name")
    )


def selection_of(address: str) -> dict[str, list[str]]:
    """The parameters of a kept address."""
    return parse_qs(address.partition("?")[2], keep_blank_values=True)


def listed_in(text: str) -> list[str]:
    """Vehicles that somebody listed: one a line, or between commas or semicolons; each once, in their order."""
    parts = text.replace(";", "\n").replace(",", "\n").replace("\t", "\n").split("\n")
    return list(dict.fromkeys(part.strip() for part in parts if part.strip()))


@dataclass(frozen=True, kw_only=True)
class KeptView:
    """A view that is to be kept: its title, and everything that was picked in it."""

    title: str
    page: str
    address: Address
    name: str
    client_key: str

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        return _problem(self.title, self.name, "the view")

    def entry(self, who: str) -> Entry:
        """The entry."""
        address = f"{self.page}?{urlencode({name: list(each) for name, each in self.address.items()}, doseq=True)}"
        return _entry("view", self.title, {"address": address}, who, self.client_key)


@dataclass(frozen=True, kw_only=True)
class KeptList:
    """A list of vehicles that is to be kept: its title, and what was typed."""

    title: str
    typed: str
    known: Sequence[str]
    name: str
    client_key: str

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if not (found := listed_in(self.typed)):
            return "The list is empty: type the vehicles' numbers, one a line."
        if unknown := [vehicle for vehicle in found if vehicle not in set(self.known)]:
            return f"Not in this fleet: {', '.join(unknown[:5])}{' and more' if len(unknown) > 5 else ''}."
        return _problem(self.title, self.name, "the list")

    def entry(self, who: str) -> Entry:
        """The entry."""
        vehicles = "\n".join(listed_in(self.typed))
        return _entry("list", self.title, {"vehicles": vehicles}, who, self.client_key)


@dataclass(frozen=True, kw_only=True)
class Removed:
    """A view or a list that is to be kept no longer."""

    entry_id: str
    name: str
    client_key: str

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        return "" if self.name.strip() else "Say who removes it: pick your name, or type it."

    def entry(self, who: str) -> Entry:
        """The entry that withdraws it."""
        return Entry(kind=None, who=who, withdraws=self.entry_id, client_key=self.client_key)


def _problem(title: str, name: str, what: str) -> str:
    if not title.strip():
        return f"Give {what} a name."
    if not name.strip():
        return f"Say who keeps {what}: pick your name, or type it."
    return "" if len(name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."


def _entry(kind: str, title: str, detail: Mapping[str, str], who: str, client_key: str) -> Entry:
    said = json.dumps(detail, ensure_ascii=False)
    return Entry(kind=kind, who=who, value=title.strip(), detail=said, client_key=client_key)
