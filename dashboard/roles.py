"""Who may do what: roles and their rights as data, and the file that gives roles to people; no streamlit, no store."""

import csv
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipelines.errors import LeewayError, SettingError

NAME = "roles.toml"  # in the store's folder
OWNER = "owner"  # has every right
EXAMPLE = '[[person]] with address = "..." or group = "...", roles = ["viewer"], and depots = ["..."] where not all'


class DeniedError(LeewayError):
    """Something that the reader's roles do not allow."""


@dataclass(frozen=True, kw_only=True)
class Right:
    """What one may do: in words, and the roles that may, beside the owner."""

    name: str
    words: str
    roles: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Person:
    """Who uses the dashboard.

    Attributes:
        name: As people call them.
        address: By which they sign in; empty: nobody signs in here.
        roles: What they are.
        depots: What they may see; None: every depot.
    """

    name: str = ""
    address: str = ""
    roles: frozenset[str] = frozenset({OWNER})
    depots: frozenset[str] | None = None

    def may(self, right: str) -> bool:
        """Whether their roles allow it."""
        return OWNER in self.roles or bool(self.roles & set(rights()[right].roles))

    def must(self, right: str) -> None:
        """Refuse what their roles do not allow.

        Raises:
            DeniedError: with what was asked, who may, and what they are.
        """
        if not self.may(right):
            raise DeniedError(self.denied(right))

    def denied(self, right: str) -> str:
        """Why they may not, in a line."""
        allowed = rights()[right]
        words = allowed.words[0].upper() + allowed.words[1:]
        own = ", ".join(sorted(self.roles)) or "without a role"
        who = self.address or self.name or "who has not signed in"
        return f"{words} is for {_or(allowed.roles)}; {who} is {own}. Whoever keeps {NAME} can change it."


ANYBODY = Person()  # where nobody signs in, whoever reaches the dashboard owns it


@cache
def rights() -> Mapping[str, Right]:
    """Every right by its name, in order."""
    with files("dashboard").joinpath("rights.csv").open(encoding="utf-8") as file:
        return {
            row["right"]: Right(name=row["right"], words=row["words"], roles=tuple(row["roles"].split("|")))
            for row in csv.DictReader(file)
        }


def roles() -> tuple[str, ...]:
    """All roles, in the order in which the rights name them; the owner last."""
    return (*dict.fromkeys(role for right in rights().values() for role in right.roles), OWNER)


@dataclass(frozen=True, kw_only=True)
class _Given:
    """One entry of the file: to whom it gives which roles, for which depots."""

    address: str
    group: str
    roles: frozenset[str]
    depots: frozenset[str] | None


@cache
def _given(path: Path, changed_ns: int) -> tuple[_Given, ...]:  # noqa: ARG001 - read anew when the file was changed
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingError(f"{path}: no readable TOML ({' '.join(str(error).split())}). It holds {EXAMPLE}.") from error
    entries = said.pop("person", None)
    if said or not isinstance(entries, list) or not entries:
        raise SettingError(f"{path}: gives nobody a role, or says what is none of its words. It holds {EXAMPLE}.")
    return tuple(_one(entry, f"{path}, person {number}") for number, entry in enumerate(entries, start=1))


def _one(entry: Any, where: str) -> _Given:
    if not isinstance(entry, dict) or set(entry) - {"address", "group", "roles", "depots"}:
        raise SettingError(f"{where}: has other words than address, group, roles and depots. Mend it.")
    address, group = entry.get("address", ""), entry.get("group", "")
    if not all(isinstance(each, str) for each in (address, group)) or bool(address) == bool(group):
        raise SettingError(f"{where}: names neither an address nor a group, or both. Write one of them.")
    lists: dict[str, Any] = {name: entry[name] for name in ("roles", "depots") if name in entry}
    if any(not isinstance(each, list) or not all(isinstance(word, str) for word in each) for each in lists.values()):
        raise SettingError(f"{where}: roles and depots are lists of texts. Write them in [ ].")
    if unknown := [role for role in lists.get("roles", []) if role not in roles()]:
        raise SettingError(f"{where}: '{unknown[0]}' is no role. Roles are: {', '.join(roles())}.")
    return _Given(
        address=address.casefold(), group=group, roles=frozenset(lists.get("roles", [])),
        depots=frozenset(lists["depots"]) if "depots" in lists else None,
    )  # fmt: skip


def person_of(folder: Path, *, name: str, address: str, groups: Iterable[str]) -> Person:
    """Who somebody is who has signed in; without a role where the file names neither them nor a group of theirs.

    Of several entries that fit, all roles count, and all their depots; one without depots gives every depot.

    Args:
        folder: Of the store, in which the file of roles lies.
        name: As their sign-in says.
        address: By which they signed in.
        groups: That their sign-in says they are in.

    Raises:
        SettingError: there is no file of roles, or it cannot be right.
    """
    path = folder / NAME
    if not path.is_file():
        raise SettingError(f"{path}: not there, so nobody has a role. It holds {EXAMPLE}.")
    theirs = set(groups)
    fits = [each for each in _given(path, path.stat().st_mtime_ns)
            if (each.address and each.address == address.casefold()) or each.group in theirs]  # fmt: skip
    every = any(each.depots is None for each in fits)
    return Person(
        name=name or address, address=address, roles=frozenset().union(*(each.roles for each in fits)),
        depots=None if every else frozenset().union(*(each.depots or () for each in fits)),
    )  # fmt: skip


def _or(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last
