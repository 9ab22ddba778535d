"""Files that a reader hands to a page, on disk while a mapping is drafted from them; what the mapping is called."""

import re
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.intake.mapping import Mapping, parse_mapping

LONGEST_NAME = 100  # letters, of which the last are kept: its ending says what the file is


@contextmanager
def on_disk(name: str, content: bytes) -> Iterator[Path]:
    """The uploaded file on disk, called as its reader calls it, until the block is left; nothing of it stays."""
    with tempfile.TemporaryDirectory(prefix="leeway-upload-") as folder:
        place = Path(folder) / (re.sub(r"[^\w.-]+", "_", name)[-LONGEST_NAME:].lstrip(".") or "file")
        place.write_bytes(content)
        yield place


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
