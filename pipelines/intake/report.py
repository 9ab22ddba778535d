"""What a load did, file by file, as data and as the lines a person reads; no table, and no file is opened."""

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipelines.catalogue.names import printable
from pipelines.catalogue.tables import drop_tables
from pipelines.intake.files import unfit

FEW_FILES = 15  # up to so many files have a line each: a drop has fewer tables than that
MOST_LINES = 60  # of one kind, unless all are asked for
WITHHELD = (
    "Where a whole batch of a depot looks so, the next analysis withholds it until somebody decides: on the page What "
    "came in, or with leeway enter."
)
CROWDED, CROWDED_SHARE = 2, 0.1  # rows of a file, and share of them, that may be entered twice; judgement


@dataclass(kw_only=True)
class FileReport:
    """What became of one file.

    reasons: (column, reason) -> rows in quarantine for it; flags: the same for values that loaded but are unusual.
    examples: (column, reason) -> the first one, as 'row 118: -3.5'.
    extra: Columns that were kept out.
    waiting: Columns kept aside until a catalogue names them.
    crowded: Rows of whose key a later row of the same file has other content.
    skipped: The same content came before.
    unreadable: Why nothing of it could be read.
    empty: Because nothing is in it.
    lacks_columns: Because it lacks columns that its table must have.
    """

    load_id: int
    drop: str
    file: str
    path: Path
    table: str
    content_hash: str = ""
    loaded: int = 0
    repeated: int = 0
    replaced: int = 0
    quarantined: int = 0
    naive_times: int = 0
    crowded: int = 0
    extra: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()
    skipped: bool = False
    unreadable: str | None = None
    empty: bool = False
    lacks_columns: bool = False
    reasons: Counter[tuple[str, str]] = field(default_factory=Counter)
    flags: Counter[tuple[str, str]] = field(default_factory=Counter)
    examples: dict[tuple[str, str], str] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """How many rows the file holds, blank ones not counted."""
        return self.loaded + self.repeated + self.replaced + self.quarantined

    @property
    def flagged(self) -> int:
        """How many values were flagged."""
        return sum(self.flags.values())


@dataclass(frozen=True, kw_only=True)
class LoadReport:
    """What a load did: its files, the files whose names belong to no table, and the store's time zone.

    told_late: (column, reason) -> values of earlier loads that are flagged only now that the readings after are known.
    notices: What else to know, a line each.
    """

    files: list[FileReport]
    others: list[Path]
    time_zone: str
    dry_run: bool = False
    proposals: list[str] = field(default_factory=list)
    told_late: Counter[tuple[str, str]] = field(default_factory=Counter)
    notices: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0: all rows loaded; 3: something is in quarantine or could not be read; 2: nothing could be read."""
        if all(file.unreadable and not file.rows for file in self.files):
            return 2
        lost = any(file.quarantined or (file.unreadable and not file.empty) for file in self.files)
        return 3 if lost else 0

    def without_flag(self, reason: str) -> "LoadReport":
        """The report without the flags of a reason that no longer holds."""
        files = [replace(file, flags=Counter({
            seen: count for seen, count in file.flags.items() if seen[1] != reason
        })) for file in self.files]  # fmt: skip
        return replace(self, files=files)

    def lines(self, *, verbose: bool = False) -> list[str]:
        """The report for people: a line per file (of many files, per table), what is wrong, then what to know.

        Args:
            verbose: A line per file and reason, however many there are.
        """
        few = verbose or len(self.files) <= FEW_FILES
        wrong = _capped(self._reason_lines(each_file=few), verbose=verbose)
        wrong += [
            f"readings of earlier loads, {column}: {reason}; {count} flagged now that those after them are known"
            for (column, reason), count in self.told_late.most_common()
        ]
        proposals = _capped(self.proposals, verbose=verbose)
        proposals += [WITHHELD] if proposals else []
        lines = [*(self._file_lines() if few else self._table_lines()), *wrong, *self._notes(), *proposals]
        skipped = sum(file.skipped for file in self.files)
        head = "Dry run, nothing is kept: " if self.dry_run else ""
        flags = sum(file.flagged for file in self.files)
        lines.append(
            f"{head}{counted(len(self.files), 'file')}: {_outcome(self.files)}, {counted(flags, 'value')} flagged; "
            f"{counted(skipped, 'file')} skipped as seen before."
        )
        return lines

    def _file_lines(self) -> list[str]:
        return [_file_line(file) for file in self.files]

    def _table_lines(self) -> list[str]:
        """A line per table, and one per file that could not be read."""
        tables = {file.table: [other for other in self.files if other.table == file.table] for file in self.files}
        lines = [f"{table}: {counted(len(files), 'file')}, {_outcome(files)}." for table, files in tables.items()]
        return lines + _capped([_file_line(file) for file in self.files if file.unreadable], verbose=False)

    def _reason_lines(self, *, each_file: bool) -> list[str]:
        counts: Counter[tuple[str, str, str, str]] = Counter()
        examples: dict[tuple[str, str, str, str], str] = {}
        for file in self.files:
            name = f"{file.drop}/{file.file}"
            for verdict, counted in (("quarantined", file.reasons), ("flagged", file.flags)):
                for (column, reason), count in counted.most_common():
                    seen = (name if each_file else file.table, column, reason, verdict)
                    counts[seen] += count
                    example = file.examples.get((column, reason), "")
                    examples.setdefault(seen, example if each_file else f"{name}, {example}")
        return [
            f"{where}{f', {column}' if column else ''}: {reason}; {count} {verdict} (first: {examples[seen]})"
            for seen, count in counts.items()
            for where, column, reason, verdict in [seen]
        ]

    def _notes(self) -> list[str]:
        notes = []
        if extra := _named(self.files, "extra"):
            notes.append(f"Columns kept out, the contract names none such: {extra}.")
        if waiting := _named(self.files, "waiting"):
            notes.append(f"Columns kept out until a catalogue (corrections.csv) names them: {waiting}.")
        if naive := sum(file.naive_times for file in self.files):
            were = "time without an offset was" if naive == 1 else "times without an offset were"
            notes.append(f"{naive} {were} read in the store's time zone, {self.time_zone}.")
        notes += _capped([_crowd(file) for file in self.files if _is_crowded(file)], verbose=False)
        odd = [(path, reason) for path in self.others if (reason := unfit(path))]
        notes += _capped([f"{printable(path.name)}: {reason}" for path, reason in odd], verbose=False)
        if others := [printable(path.name) for path in self.others if not unfit(path)]:
            more = f" and {len(others) - 10} more" if len(others) > 10 else ""
            notes.append(f"Files left out, their names belong to no table: {', '.join(others[:10])}{more}")
        return [*notes, *self.notices]


def counted(number: int, thing: str) -> str:
    """'1 file', '2 files', '1,000 files'."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _is_crowded(file: FileReport) -> bool:
    """Whether so many rows of a file gave way to others of it that it is a log, or lost its times of day."""
    return file.crowded > max(CROWDED, CROWDED_SHARE * file.rows)


def _crowd(file: FileReport) -> str:
    key = " and ".join(drop_tables()[file.table].key)
    return (
        f"{file.drop}/{file.file}: {file.crowded:,} of its {counted(file.rows, 'row')} gave way to a later row of the "
        f"same {key}; they are kept as history. If it is a log, give it another name (log-{file.file}) and leeway load "
        "makes one reading of its rows; if the time of day is missing, export it with the day."
    )


def _outcome(files: list[FileReport]) -> str:
    total = {name: sum(getattr(f, name) for f in files) for name in ("loaded", "replaced", "repeated", "quarantined")}
    return (
        f"{counted(total['loaded'], 'row')} loaded, {total['replaced']} replaced, {total['repeated']} already known, "
        f"{total['quarantined']} quarantined"
    )


def _capped(lines: list[str], *, verbose: bool) -> list[str]:
    if verbose or len(lines) <= MOST_LINES:
        return lines
    return [*lines[:MOST_LINES], f"... and {len(lines) - MOST_LINES} more such lines: see --verbose."]


def _named(files: list[FileReport], which: str) -> str:
    names = sorted({f"{file.table}.{name}" for file in files for name in getattr(file, which)})
    more = f" and {len(names) - 30} more" if len(names) > 30 else ""
    return ", ".join(names[:30]) + more


def _file_line(file: FileReport) -> str:
    name = f"{file.drop}/{file.file}"
    if file.unreadable and not file.rows:
        return f"{name}: not read. {file.unreadable}"
    if file.skipped:
        return f"{name}: skipped, the same content was loaded before."
    return (
        f"{name}: {counted(file.rows, 'row')}: {file.loaded} loaded, {file.replaced} replaced, "
        f"{file.repeated} already known, {file.quarantined} quarantined."
        + (f" Not read beyond: {file.unreadable}" if file.unreadable else "")
    )
