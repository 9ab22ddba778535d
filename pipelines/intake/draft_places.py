"""What the name of a file or of its folder tells: the vehicle, and the day; as patterns that read the next one."""

import re
from dataclasses import dataclass

DAY_GROUPS = {
    "ymd": r"(?P<year>20\d{2})[-_.]?(?P<month>[01]\d)[-_.]?(?P<day>[0-3]\d)",
    "dmy": r"(?P<day>[0-3]?\d)[-_.](?P<month>[01]?\d)[-_.](?P<year>20\d{2})",
}
CLOCK_GROUPS = r"(?:[-_T ]+(?P<hour>[01]\d|2[0-3])[-_.h:]?(?P<minute>[0-5]\d)(?:[-_.m:]?(?P<second>[0-5]\d))?(?!\d))"
SAID_OF_FILES = {
    "trip", "log", "logs", "fahrt", "drive", "export", "data", "daten", "reading", "readings", "session", "rec",
    "record", "obd", "csv", "track", "trajet", "viaje", "viaggio", "rit", "tur", "file", "report", "values", "snapshot",
    "snapshots", "messung", "messwerte", "auslesung", "test", "new", "copy", "final", "download", "downloads",
    "documents", "desktop", "tmp", "uploads", "upload", "home", "drops", "van", "truck", "car", "vehicle", "auto",
}  # fmt: skip
TOKEN = re.compile(r"[^_\s]+")


@dataclass(frozen=True, kw_only=True)
class Told:
    """A pattern with one group (or year, month and day), and what it reads in this name."""

    pattern: str
    value: str


def day_in(stem: str, *, with_clock: bool = False) -> Told | None:
    """The day that a file's name holds; None: none, or it could be read in two ways.

    Args:
        stem: The name.
        with_clock: Whether a time of day right after it counts, too.
    """
    for form in DAY_GROUPS.values():
        guarded = rf"(?<!\d){form}(?!\d{{3}})"
        found = list(re.finditer(guarded, stem))
        if len(found) == 1 and 1 <= int(found[0]["month"]) <= 12 and 1 <= int(found[0]["day"]) <= 31:
            timed = rf"(?<!\d){form}{CLOCK_GROUPS}"
            exact = re.search(timed, stem) if with_clock else None
            pattern, read = (timed, exact) if exact else (guarded, found[0])
            return Told(pattern=pattern, value=time_of(read))
    return None


def time_of(found: re.Match[str]) -> str:
    """What the groups year, month, day and perhaps hour, minute and second of a pattern hold, in ISO 8601."""
    said = found.groupdict()
    year = said["year"] if len(said["year"]) == 4 else f"20{said['year']}"
    day = f"{year}-{said['month']:0>2}-{said['day']:0>2}"
    if not said.get("hour"):
        return day
    return f"{day}T{said['hour']:0>2}:{said.get('minute') or '00':0>2}:{said.get('second') or '00':0>2}"


def vehicle_in(stem: str) -> Told | None:
    """The vehicle's number that a name holds: the one part of it that is neither a day nor said of any file."""
    bare = stem
    for form in DAY_GROUPS.values():
        bare = re.sub(rf"(?<!\d){form}", lambda found: " " * len(found[0]), bare)
    parts = [part for part in TOKEN.finditer(bare) if not said_of_any(part[0])]
    if len(parts) != 1 or not re.search(r"\d", parts[0][0]):
        return None
    value = parts[0][0].strip("-.")
    start = parts[0].start() + parts[0][0].index(value)
    before = re.escape(stem[:start]) if not re.search(r"\d", stem[:start]) else r"(?:.*[_\s])?"
    after = r"(?:[_\s.].*)?$"
    pattern = rf"^{before}({_like(value)}){after}"
    return Told(pattern=pattern, value=value) if re.search(pattern, stem) else None


def said_of_any(part: str) -> bool:
    """Whether a part of a name is said of any file or folder, or is a time of day."""
    plain = re.sub(r"[\W\d]+", "", part).casefold()
    return (plain in SAID_OF_FILES and not re.search(r"\d", part)) or not re.search(r"[^\W_]", part) or (
        re.fullmatch(r"\d{4,6}", part) is not None  # a time of day
    )  # fmt: skip


def _like(value: str) -> str:
    return r"[^_\s.]+" if "." not in value else r"[^_\s]+"
