"""Which backups go: of each of the last days, weeks and months the newest stays. No file is read here."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path

from pipelines.settings_file import Backups

NAME = "leeway-%Y%m%dT%H%M%SZ.backup"


def backup_name(at: datetime) -> str:
    """What a backup is called that was begun at a time."""
    return at.astimezone(UTC).strftime(NAME)


def backups_in(folder: Path) -> dict[Path, datetime]:
    """The backups of our name in a folder and when each was begun, oldest first; other files are left alone."""
    found = {}
    for file in sorted(folder.glob("leeway-*.backup")):
        try:
            found[file] = datetime.strptime(file.name, NAME).replace(tzinfo=UTC)
        except ValueError:  # somebody else's
            continue
    return found


def to_remove(backups: dict[Path, datetime], keep: Backups) -> list[Path]:
    """The backups that no day, week or month keeps, oldest first; the newest always stays.

    A day counts if it has a backup: a machine that stood for a month still keeps as many.
    """
    newest_first = sorted(backups, key=lambda file: backups[file], reverse=True)
    kept = set(newest_first[:1])
    for count, span in ((keep.days, _day), (keep.weeks, _week), (keep.months, _month)):
        kept |= _newest_of_each(newest_first, backups, span, count)
    return sorted(set(backups) - kept)


def _newest_of_each(
    newest_first: Iterable[Path], backups: dict[Path, datetime], span: Callable[[datetime], tuple[int, ...]], count: int
) -> set[Path]:
    spans: dict[tuple[int, ...], Path] = {}
    for file in newest_first:
        if len(spans) < count:
            spans.setdefault(span(backups[file]), file)
    return set(spans.values())


def _day(at: datetime) -> tuple[int, ...]:
    return (at.year, at.month, at.day)


def _week(at: datetime) -> tuple[int, ...]:
    return tuple(at.isocalendar()[:2])


def _month(at: datetime) -> tuple[int, ...]:
    return (at.year, at.month)
