"""A scenario: the demo's TOML with what a file of the user changes laid over it; checked, then read-only."""

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

from synthetic_fleet.growth import LAWS
from synthetic_fleet.parameters import PLACES

Scenario = dict[str, Any]

PLACE_WORDS = ("engine", "bank", "cylinder", "cam", "all", "circuit")


class ScenarioError(Exception):
    """A scenario that cannot be simulated; its text is the one line shown."""


def demo_text() -> str:
    """The demo's scenario as written, comments and all."""
    return files("synthetic_fleet").joinpath("demo.toml").read_text(encoding="utf-8")


def read_scenario(path: Path | None = None, changes: Scenario | None = None) -> Scenario:
    """The demo's scenario with the entries of a TOML file, then of `changes`, laid over it.

    Raises:
        ScenarioError: the file is no TOML, or an entry is unknown or of the wrong kind.
    """
    scenario = tomllib.loads(demo_text())
    if path is not None:
        try:
            own = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise ScenarioError(
                f"{path}: no readable TOML ({error}). Start from the one that --show prints."
            ) from error
        scenario = _merged(scenario, own, where=str(path))
    if changes is not None:
        scenario = _merged(scenario, changes, where="changes")
    _check(scenario)
    return scenario


OPEN_TABLES = (
    "families",
    "depots",
    "duties",
    "causes",
    "healthy.noise",
    "healthy.ageing_per_1000_km",
    "laws",
    "changes",
)


def _merged(base: Scenario, own: Scenario, *, where: str, inside: str = "") -> Scenario:
    merged = dict(base)
    for key, value in own.items():
        name = f"{inside}.{key}" if inside else key
        known = key in base or inside in OPEN_TABLES or inside.rpartition(".")[2] in OPEN_TABLES
        if not known and not inside.startswith(("families.", "causes.", "depots.", "duties.")):
            raise ScenarioError(f"{where}, {name}: unknown entry. Known here: {', '.join(sorted(base))}.")
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            merged[key] = value if key == "laws" else _merged(base[key], value, where=where, inside=name)
        else:
            if key in base and isinstance(base[key], int | float) and not isinstance(value, int | float):
                raise ScenarioError(f"{where}, {name}: {value!r} is no number. Write one, for example {base[key]}.")
            merged[key] = value
    return merged


def _check(scenario: Scenario) -> None:
    for cause, entry in scenario["causes"].items():
        for law in entry["laws"]:
            if law not in LAWS:
                raise ScenarioError(f"causes.{cause}.laws: unknown law {law}. Known: {', '.join(LAWS)}.")
        for variant in entry["variants"]:
            if variant["place"] not in PLACE_WORDS:
                raise ScenarioError(
                    f"causes.{cause}: unknown place {variant['place']}. Known: {', '.join(PLACE_WORDS)}."
                )
            for name in variant["changes"]:
                if name not in PLACES:
                    raise ScenarioError(f"causes.{cause}: unknown parameter {name}. Known: {', '.join(PLACES)}.")
