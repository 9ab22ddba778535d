"""Watched folders: which of their files are to be taken up now. Each is taken up once, and not while it is written."""

from collections.abc import Iterable, Set
from datetime import datetime
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.intake.files import foreign_files
from pipelines.settings_file import Inbox
from pipelines.upkeep.runs import Seen

MOST_AT_ONCE = 500  # files of one load: the system bounds how long a command may be


def files_in(inbox: Inbox) -> list[Seen]:
    """Every file of the watched folders and what lies in them that can be loaded: of a known ending and not hidden.

    Raises:
        SettingError: a folder is not there, or cannot be read.
    """
    folders = [Path(name) for name in inbox.folders]
    for folder in folders:
        if not folder.is_dir():
            raise SettingError(f"[inbox], folders: {folder} is no folder that can be read. Make it, or take it out.")
    found = [_seen(file.path) for file in foreign_files(folders, "snapshots") if not file.refused]
    return [seen for seen in found if seen is not None]


def to_take_up(files: Iterable[Seen], taken: Set[Seen], *, settle_seconds: float, now: datetime) -> list[Seen]:
    """The files that were not taken up as they are now, and have not changed for a while.

    Args:
        files: As they lie there.
        taken: As they were when they were taken up.
        settle_seconds: How long a file must have been left alone.
        now: The time.
    """
    settled_ns = (now.timestamp() - settle_seconds) * 1e9
    return [each for each in files if each not in taken and each.changed_ns <= settled_ns]


def _seen(path: Path) -> Seen | None:
    try:
        about = path.stat()
    except FileNotFoundError:  # its writer moved it meanwhile: it is found under its new name
        return None
    return Seen(path=str(path.absolute()), size=about.st_size, changed_ns=about.st_mtime_ns)
