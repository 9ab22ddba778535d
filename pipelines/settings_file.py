"""The one file of settings: what it may say, checked as a whole; where it lies, what of it holds, and its digest."""

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from functools import cache, lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipelines.errors import SettingError
from pipelines.figures_set import checked, lines_of, meaning_of, range_of, stands, toml_of, toml_text, unit_of
from pipelines.settings import Settings
from pipelines.workplan.costs import CostAssumptions

VARIABLE = "LEEWAY_SETTINGS"  # names the file, wherever it lies
NAME = "settings.toml"  # in the store's folder, where the variable names none
HOW = "leeway settings"  # prints a file to begin with


@dataclass(frozen=True, kw_only=True)
class Planning:
    """The work plan."""

    days: int = stands(28, "days", "how far ahead work is planned", least=1, most=366)


@dataclass(frozen=True, kw_only=True)
class Inbox:
    """Folders in which other programs lay files to be loaded."""

    folders: tuple[str, ...] = stands((), "", "watched folders; what lies in them is loaded once and left there")
    settle_seconds: float = stands(30.0, "s", "a file younger than this may still be written, and waits", most=86400)


@dataclass(frozen=True, kw_only=True)
class Backups:
    """Backups that `leeway tend` makes and thins out."""

    folder: str = stands("", "", "where backups go, best on another disk; empty: none are made")
    every_hours: float = stands(24.0, "h", "a backup is due when the newest is as old", least=0.1, most=8784)
    days: int = stands(7, "days", "of so many days the newest backup is kept", least=1, most=3660)
    weeks: int = stands(5, "weeks", "and the newest of so many weeks", most=520)
    months: int = stands(12, "months", "and the newest of so many months", most=120)


@dataclass(frozen=True, kw_only=True)
class Tending:
    """What `leeway tend` does beside loading, analysing and planning."""

    digest: str = stands("", "", "file for what is new (.html, .txt, .md), written after an analysis; empty: none")
    check_every_days: float = stands(7.0, "days", "how often the whole store is read and checked", most=366)
    analyses_kept: int = stands(12, "", "how many analyses stay published, the newest first", least=2, most=520)


@dataclass(frozen=True, kw_only=True)
class Service:
    """Where the dashboard answers, and to whom."""

    address: str = stands("127.0.0.1", "", "network address to answer on; the default lets nobody but this machine in")
    port: int = stands(8501, "", "port to answer on", least=1, most=65535)
    allow_hosts: tuple[str, ...] = stands((), "", "names under which it may be opened, beside this machine's own")
    open_to_everyone: bool = stands(False, "", "let others than this machine in without asking who they are")
    watchers: tuple[str, ...] = stands((), "", "network addresses that may ask for /metrics, beside this machine")
    tend_every_minutes: float = stands(
        0.0, "min", "how often `leeway serve` tends its store itself; 0: something else runs `leeway tend`", most=1440
    )


@dataclass(frozen=True, kw_only=True)
class SignIn:
    """Sign-in by OpenID Connect; who may do what stands in roles.toml beside the store's states."""

    provider: str = stands("", "", "address of the provider's metadata, https://.../.well-known/openid-configuration")
    client_id: str = stands("", "", "what the provider calls this dashboard")
    client_secret_file: str = stands("", "", "file that holds the secret the provider gave, alone")
    address: str = stands(
        "", "", "where people open the dashboard, https://...; the provider must know .../oauth2callback"
    )
    groups_claim: str = stands("groups", "", "claim in which the provider says a person's groups")
    hours: float = stands(12.0, "h", "a sign-in lasts", least=0.1, most=744)


@dataclass(frozen=True, kw_only=True)
class Log:
    """The log of who did what, which holds personal data."""

    keep_days: float = stands(
        730.0, "days", "lines are kept, and names of those who did nothing since", least=31, most=36600
    )


@dataclass(frozen=True, kw_only=True)
class ServiceSettings:
    """Everything that is a setting, by section of the file; `given` is what the file says itself."""

    analysis: Settings = field(default_factory=Settings)
    plan: Planning = field(default_factory=Planning)
    costs: CostAssumptions = field(default_factory=CostAssumptions)
    inbox: Inbox = field(default_factory=Inbox)
    backup: Backups = field(default_factory=Backups)
    tend: Tending = field(default_factory=Tending)
    serve: Service = field(default_factory=Service)
    sign_in: SignIn = field(default_factory=SignIn)
    log: Log = field(default_factory=Log)
    given: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    file: Path | None = None

    def as_text(self) -> str:
        """The file that says what holds; what is not set in it stands behind a `#`, at its default."""
        head = ["# Settings of Leeway. Lines behind a # stand at their defaults; leeway explain settings says each."]
        for name, kind in sections().items():
            head += ["", f"# {_about(kind)}", f"[{name}]", *lines_of(getattr(self, name), self.given.get(name, {}))]
        return "\n".join(head) + "\n"

    def digest(self) -> str:
        """Twelve hexadecimal digits that change when anything that holds changes."""
        said = "\n".join("\n".join([name, *lines_of(getattr(self, name))]) for name in sections())
        return hashlib.sha256(said.encode()).hexdigest()[:12]


@cache
def sections() -> dict[str, Any]:
    """The dataclass of each section, in the order of the file."""
    return {
        each.name: each.default_factory
        for each in fields(ServiceSettings)
        if isinstance(each.default_factory, type) and each.default_factory is not dict
    }


def settings_of(store_folder: Path, named: Path | None = None) -> ServiceSettings:
    """What is set for a store.

    Args:
        store_folder: The store's folder.
        named: A file of settings; None: the one that `$LEEWAY_SETTINGS` names, or else `settings.toml` in the store's
            folder, if there is one.

    Raises:
        SettingError: a named file is not there; it is no TOML, or says something that is no setting or outside its
            range. The first such thing is named.
    """
    if named is None and os.environ.get(VARIABLE):
        named = Path(os.environ[VARIABLE])
    path = named if named is not None else store_folder / NAME
    if named is None and not path.is_file():
        return ServiceSettings()
    said = toml_of(path, HOW)
    values: dict[str, Any] = {}
    for name, section in said.items():
        if name not in sections():
            raise SettingError(f"{path}, {name}: no section of settings. Known: {', '.join(sections())}.")
        if not isinstance(section, dict):
            raise SettingError(f"{path}, {name}: is a section. Write [{name}], and its settings below it.")
        values[name] = sections()[name](**checked(section, sections()[name], f"{path}, [{name}]"))
    return ServiceSettings(**values, given={name: section for name, section in said.items() if section}, file=path)


def settings_now(store_folder: Path) -> ServiceSettings:
    """The same, read anew only when the file was changed: for whoever asks at every click.

    Raises:
        SettingError: as `settings_of`.
    """
    path = Path(os.environ[VARIABLE]) if os.environ.get(VARIABLE) else store_folder / NAME
    try:
        return _kept(store_folder, path, path.stat().st_mtime_ns)
    except FileNotFoundError:
        return settings_of(store_folder)


@lru_cache(maxsize=4)
def _kept(store_folder: Path, path: Path, changed_ns: int) -> ServiceSettings:  # noqa: ARG001 - a key
    return settings_of(store_folder, path)


def made_with(settings: ServiceSettings) -> dict[str, str]:
    """What stands in every file that is exported: the product's version, the digest of the settings, and the time."""
    return {
        "leeway_version": version("leeway"),
        "settings_digest": settings.digest(),
        "exported_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
    }


def settings_explained() -> list[str]:
    """Every setting: section, name, what may be written, default and meaning, a line each."""
    lines: list[str] = []
    for name, kind in sections().items():
        lines += ["", f"[{name}]  {_about(kind)}"]
        for each in fields(kind):
            unit = f" {unit_of(each)}" if unit_of(each) else ""
            stands_at = toml_text(each.default)
            lines.append(f"  {each.name} = {stands_at}{unit}: {meaning_of(each)}; {range_of(each)}")
    return lines[1:]


def _about(kind: Any) -> str:
    """What a section is, out of the first paragraph of its docstring."""
    return " ".join(str(kind.__doc__).split("\n\n")[0].split())
