"""Files that a reader hands to a page, while a mapping is drafted from them; what the mapping is called.

They are read in a process of its own, whose memory is bounded and goes back to the system: the server stays small.
"""

import re
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from pipelines.errors import SettingError
from pipelines.intake.apart import Apart
from pipelines.intake.draft import Preview, draft_mapping, preview_mapping
from pipelines.intake.limits import limits_from
from pipelines.intake.mapping import Mapping, mapping_text, parse_mapping

LONGEST_NAME = 100  # letters, of which the last are kept: its ending says what the file is


@contextmanager
def on_disk(name: str, content: bytes) -> Iterator[Path]:
    """The uploaded file on disk, called as its reader calls it, until the block is left; nothing of it stays."""
    with tempfile.TemporaryDirectory(prefix="leeway-upload-") as folder:
        place = Path(folder) / (re.sub(r"[^\w.-]+", "_", name)[-LONGEST_NAME:].lstrip(".") or "file")
        place.write_bytes(content)
        yield place


def drafted(name: str, content: bytes, catalogue: pl.DataFrame, *, table: str) -> str:
    """The text of a first guess at a mapping for an uploaded file.

    Raises:
        DropError: the file cannot be read.
    """
    with on_disk(name, content) as path, Apart(limits_from()) as apart:
        return mapping_text(apart.run(path.name, draft_mapping, path, catalogue, table=table))


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
