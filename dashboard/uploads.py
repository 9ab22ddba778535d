"""Files that a reader hands to a page, kept while a mapping is drafted from them; the mapping on disk."""

import re
import tempfile
import tomllib
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.intake.mapping import Mapping, parse_mapping


def kept_upload(name: str, content: bytes) -> Path:
    """The uploaded file on disk under its own name, in a folder of its own that the system clears."""
    place = Path(tempfile.mkdtemp(prefix="leeway-upload-")) / Path(name).name
    place.write_bytes(content)
    return place


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


def write_mapping(text: str, folder: Path, source: str) -> Path:
    """Write a mapping file named after the file it is for.

    Args:
        text: The mapping, checked by `read_text`.
        folder: Where to.
        source: Name of the foreign file.

    Raises:
        SettingError: a mapping of another content stands there already, or the folder cannot be written.
    """
    stem = re.sub(r"[^\w.-]+", "_", Path(source).stem)
    target = folder / f"{stem}.mapping.toml"
    try:
        if target.exists() and target.read_text(encoding="utf-8") != text:
            raise SettingError(
                f"{target}: stands there already with other content. Move it, or rename the file you upload."
            )
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SettingError(f"{target}: {error.strerror}. Download the mapping instead.") from error
    return target
