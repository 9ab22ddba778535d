"""Files that a reader hands to a page, while a mapping is drafted from them; what the mapping is called.

They are read in a process of its own, whose memory is bounded and goes back to the system: the server stays small.
"""

import os
import re
import tempfile
import tomllib
from collections.abc import Iterator
from collections.abc import Mapping as Answers
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from pipelines.catalogue.checks import waits_for
from pipelines.errors import SettingError
from pipelines.intake.anything import Look, engines_in, load_looked_at, look_at, name_families
from pipelines.intake.apart import Apart
from pipelines.intake.draft import Preview, preview_mapping
from pipelines.intake.limits import limits_from
from pipelines.intake.mapping import Mapping, parse_mapping
from pipelines.intake.report import counted
from pipelines.store.fleet_reads import known_corrections
from pipelines.store.folder import Store

LONGEST_NAME = 100  # letters, of which the last are kept: its ending says what the file is


@contextmanager
def on_disk(name: str, content: bytes) -> Iterator[Path]:
    """The uploaded file on disk, called as its reader calls it, until the block is left; nothing of it stays."""
    with tempfile.TemporaryDirectory(prefix="leeway-upload-") as folder:
        (Path(folder) / "upload").mkdir()  # so that nothing is read out of the folder's name
        place = Path(folder) / "upload" / (re.sub(r"[^\w.-]+", "_", name)[-LONGEST_NAME:].lstrip(".") or "file")
        place.write_bytes(content)
        os.utime(place, (0, 0))  # when it was written on its reader's machine is not known
        yield place


def looked_at(
    name: str, content: bytes, catalogue: pl.DataFrame, *, store: Path, answers: Answers[str, str], table: str
) -> Look:
    """What would become of an uploaded file: see `pipelines.intake.anything.look_at`.

    Raises:
        DropError: the file cannot be read.
        SettingError: the mapping kept for such files is none any more.
    """
    with on_disk(name, content) as path, Apart(limits_from()) as apart:
        return apart.run(path.name, look_at, path, catalogue, kept_in=store, answers=answers, table=table)


def loaded(name: str, content: bytes, look: Look, *, store: Path, family: str) -> list[str]:
    """Load an uploaded file as it was looked at; what became of it, a line each.

    Args:
        name: As its reader calls it.
        content: Of the file.
        look: What was shown and confirmed.
        store: Folder of the store.
        family: Engine family of all vehicles that no file names one of; empty: none is said.

    Raises:
        LeewayError: the store cannot be written, or nothing of the file can be read.
    """
    place = Store(store)
    with on_disk(name, content) as path:
        report = load_looked_at(place, [path], look)
        report = report.without_flag(waits_for("vehicles")) if family else report
        engines = engines_in(path, look, known_corrections(place))
    named = name_families(place, family, engines) if family else 0
    if not named:
        return report.lines()
    said = "by their engines, as the file names them" if engines else f"as one engine family, '{family}'"
    return [*report.lines(), f"{counted(named, 'vehicle')} {'is' if named == 1 else 'are'} compared {said}."]


def previewed(name: str, content: bytes, catalogue: pl.DataFrame, mapping: Mapping) -> Preview:
    """What a mapping makes of an uploaded file's first rows.

    Raises:
        DropError: the file cannot be read, or lacks a column of the mapping.
        SettingError: a unit is not known or does not fit.
    """
    with on_disk(name, content) as path, Apart(limits_from()) as apart:
        return apart.run(path.name, preview_mapping, path, mapping, catalogue)


def read_text(text: str) -> Mapping:
    """The mapping that the text of a mapping file describes.

    Raises:
        SettingError: it is not TOML, or says something that no mapping can say.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingError(f"mapping: {error}. Write it as TOML.") from error
    return parse_mapping(raw, "mapping")


def mapping_name(source: str) -> str:
    """What the mapping for a foreign file is called: after that file, with nothing in it that a shell reads."""
    stem = re.sub(r"[^\w-]+", "_", Path(source).stem).strip("_-")
    return f"{stem or 'file'}.mapping.toml"
