"""Mappings kept beside a store, each for files of one shape: what was answered once is not asked again."""

import hashlib
import os
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import SettingError
from pipelines.intake.draft_keys import ANY_FOLDER
from pipelines.intake.mapping import Mapping, mapping_text, parse_mapping

FOLDER = "mappings"  # within a store's folder
LISTED = "vehicles.csv"  # there: vehicles that no file names, as they were listed from their readings


def shape_of(names: Iterable[str]) -> str:
    """What files of one shape have in common: the names of their columns, whatever their order and case."""
    text = "\n".join(sorted(name.strip().casefold() for name in names))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def kept_mapping(folder: Path, shape: str) -> Mapping | None:
    """The mapping that was kept for files of a shape; None: there is none.

    Args:
        folder: Of the store.
        shape: As `shape_of` gives it.

    Raises:
        SettingError: it was changed, and is no mapping any more.
    """
    place = mapping_file(folder, shape)
    if not place.is_file():
        return None
    try:
        return parse_mapping(tomllib.loads(place.read_text(encoding="utf-8")), place.name)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingError(f"{place}: {' '.join(str(error).split())}. Mend or remove it.") from error


def keep_mapping(folder: Path, shape: str, mapping: Mapping, *, source: str) -> Path:
    """Keep a mapping for the next file of its shape, without what was said of this one file alone.

    Args:
        folder: Of the store.
        shape: As `shape_of` gives it.
        mapping: It.
        source: Name of the file that it was made for.

    Returns:
        Where it lies.
    """
    keys = drop_tables()[mapping.table].key
    lasting = {name: cell for name, cell in mapping.constants.items() if name not in keys}
    folders = {name: form for name, form in mapping.from_folder.items() if form != ANY_FOLDER}
    kept = replace(mapping, constants=lasting, from_folder=folders)
    place = mapping_file(folder, shape)
    place.parent.mkdir(parents=True, exist_ok=True)
    draft = place.with_suffix(".next")
    about = "".join(c for c in source if c.isprintable())
    draft.write_text(f"# Made for {about}; used for every file with the same columns.\n"
                     + mapping_text(kept), encoding="utf-8")  # fmt: skip
    os.replace(draft, place)  # noqa: PTH105 (atomic, also on systems where rename is not)
    return place


def mapping_file(folder: Path, shape: str) -> Path:
    """Where the mapping for files of a shape is kept."""
    return folder / FOLDER / f"{shape}.toml"
