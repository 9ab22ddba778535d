"""Files that a reader hands to a page, while a mapping is drafted from them; what the mapping is called.

They are read in a process of its own, whose memory is bounded and goes back to the system: the server stays small.
"""

import os
import re
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from collections.abc import Mapping as Answers
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

import polars as pl

from pipelines.catalogue.checks import waits_for
from pipelines.errors import LeewayError, SettingError
from pipelines.intake.anything import Look, engines_in, load_looked_at, look_at, name_families
from pipelines.intake.apart import Apart
from pipelines.intake.draft import Preview, preview_mapping
from pipelines.intake.limits import limits_from
from pipelines.intake.mapping import Mapping, mapping_text, parse_mapping
from pipelines.intake.report import counted
from pipelines.store.fleet_reads import known_corrections
from pipelines.store.folder import Store

LONGEST_NAME = 100  # letters, of which the last are kept: its ending says what the file is


Files = Sequence[tuple[str, bytes]]  # name as their reader calls them, with the folders they lie in, and content


@contextmanager
def on_disk(files: Files) -> Iterator[list[Path]]:
    """The uploaded files on disk, called as their reader calls them, until the block is left; nothing of them stays."""
    with tempfile.TemporaryDirectory(prefix="leeway-upload-") as folder:
        places = []
        for number, (name, content) in enumerate(files):  # two of one name are two
            parts = [_tame(part) for part in PurePosixPath(name.replace("\\", "/")).parts]
            place = Path(folder, str(number), "upload", *parts)  # so that nothing is read out of our folder's name
            place.parent.mkdir(parents=True)
            place.write_bytes(content)
            os.utime(place, (0, 0))  # when it was written on its reader's machine is not known
            places.append(place)
        yield places


def _tame(name: str) -> str:
    return re.sub(r"[^\w.-]+", "_", name)[-LONGEST_NAME:].lstrip(".") or "file"


def looked_at(
    files: Files, catalogue: pl.DataFrame, *, store: Path, answers: Answers[str, str], table: str
) -> tuple[Look, list[int]]:
    """What would become of the files that most are like, see `pipelines.intake.anything.look_at`; and their places.

    Raises:
        DropError: none of them can be read: why the first one cannot.
        SettingError: the mapping kept for such files is none any more.
    """
    looks: list[tuple[Look, int]] = []
    unread: LeewayError | None = None
    with on_disk(files) as paths, Apart(limits_from()) as apart:
        for place, path in enumerate(paths):
            try:
                look = apart.run(path.name, look_at, path, catalogue, kept_in=store, answers=answers, table=table)
                looks.append((look, place))
            except LeewayError as error:
                unread = unread or error
    if unread is not None and not looks:
        raise unread
    read_by = Counter(mapping_text(look.mapping) for look, _ in looks)
    mapping, _ = read_by.most_common(1)[0]
    alike = [(look, place) for look, place in looks if mapping_text(look.mapping) == mapping]
    return alike[0][0], [place for _, place in alike]


def loaded(files: Files, look: Look, *, store: Path, family: str) -> list[str]:
    """Load uploaded files as they were looked at; what became of them, a line each.

    Args:
        files: Of one kind.
        look: What was shown and confirmed.
        store: Folder of the store.
        family: Engine family of all vehicles that no file names one of; empty: none is said.

    Raises:
        LeewayError: the store cannot be written, or nothing of the files can be read.
    """
    place = Store(store)
    with on_disk(files) as paths:
        report = load_looked_at(place, paths, look)
        report = report.without_flag(waits_for("vehicles")) if family else report
        catalogue = known_corrections(place)
        engines = {number: engine for path in paths for number, engine in engines_in(path, look, catalogue).items()}
    named = name_families(place, family, engines) if family else 0
    if not named:
        return report.lines()
    said = "by their engines, as the file names them" if engines else f"as one engine family, '{family}'"
    return [*report.lines(), f"{counted(named, 'vehicle')} {'is' if named == 1 else 'are'} compared {said}."]


def previewed(files: Files, catalogue: pl.DataFrame, mapping: Mapping) -> Preview:
    """What a mapping makes of the first rows of the first of uploaded files.

    Raises:
        DropError: the file cannot be read, or lacks a column of the mapping.
        SettingError: a unit is not known or does not fit.
    """
    with on_disk(files[:1]) as [path], Apart(limits_from()) as apart:
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
