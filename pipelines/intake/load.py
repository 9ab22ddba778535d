"""Loads drops into a store: finds the files, reads, checks and merges their rows, in one transaction; returns a report.

Rows of many small files are checked and merged together; a large file goes block by block, so memory stays bounded.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from itertools import groupby
from pathlib import Path
from threading import Lock
from zoneinfo import available_timezones

import duckdb
import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError, EmptyError, LacksColumnsError, SettingError
from pipelines.flags.plausibility import flag_implausible
from pipelines.intake.apart import Apart
from pipelines.intake.blocks import LOAD, Block, frame_of_blocks, read_again
from pipelines.intake.casting import Reading
from pipelines.intake.checking import Authority, authority_of, check_block, with_second_look
from pipelines.intake.columns import Columns, match_columns, with_room
from pipelines.intake.files import SourceFile, content_hash, find_files, foreign_files
from pipelines.intake.limits import Limits, limits_from
from pipelines.intake.mapped import mapped_blocks, units_of
from pipelines.intake.mapping import Mapping, mapping_text
from pipelines.intake.names import Names
from pipelines.intake.proposals import proposal_text, proposals, slips_of_checks, slips_of_range
from pipelines.intake.reading import read_blocks
from pipelines.intake.report import FileReport, LoadReport
from pipelines.intake.side_by_side import Opened, in_turn
from pipelines.store.catalogue import catalogue_of, left_out
from pipelines.store.folder import Store
from pipelines.store.layout import gather_vehicles
from pipelines.store.loads import (
    add_flags,
    add_loads,
    add_log_values,
    add_proposals,
    add_quarantined,
    file_names,
    mark_mended,
    next_id,
    seen_hashes,
)
from pipelines.store.long_readings import merge_table
from pipelines.store.schema import columns_of, get_setting, put_setting
from pipelines.visible import visible

BATCH_ROWS = 50_000  # rows of small files that are checked together
MERGED_ROWS = 4_000_000  # that are merged together: readings in long form take several times their size to become wide
MERGED_BYTES = 384 * 2**20  # that are merged together: of snapshots with 70 corrections, 1.2 million
WAIT_S = 600.0  # for another load: both arrive, one after the other; as long as the longest that was measured
Progress = Callable[[str, int, int], None]


def load(
    store: Store,
    drops: Sequence[Path],
    *,
    time_zone: str | None = None,
    loaded_at: datetime | None = None,
    dry_run: bool = False,
    mapping: Mapping | None = None,
    limits: Limits | None = None,
    progress: Progress = lambda *_: None,
) -> LoadReport:
    """Load drops; acknowledged only when every good row is in the store for good.

    Args:
        store: Where to.
        drops: Folders and single files.
        time_zone: Zone of times without an offset, kept for later loads; None: the store's (UTC at first).
        loaded_at: When these rows became known; None: now.
        dry_run: Do all of it on a copy that is thrown away.
        mapping: What the columns of foreign files mean; None: the files are of the contract's form.
        limits: The most that a file may hold; None: as the environment sets them.
        progress: Called with each file's name (and the row it has come to), how many are done, how many there are.

    Raises:
        DropError: a path does not exist, or there is no file to load in it.
        SettingError: the time zone is not known, or a limit is no number.
        StoreError: the store is locked, damaged or full.
    """
    if time_zone is not None and time_zone not in available_timezones():
        raise SettingError(f"time zone: '{time_zone}' is not known. Name one such as UTC or Europe/Lisbon.")
    files, others = (foreign_files(drops, mapping.table), []) if mapping else find_files(drops)
    if not files:
        names = ", ".join(str(drop) for drop in drops)
        raise DropError(f"{names}: no file to load. A drop holds files such as snapshots.csv or vehicles.parquet.")
    limits = limits or limits_from()
    written = store.rehearsing() if dry_run else store.writing(f"leeway load, {len(files)} files", wait_s=WAIT_S)
    with Apart(limits) as apart, written as connection:
        if time_zone is not None:
            put_setting(connection, "time_zone", time_zone)
        zone = get_setting(connection, "time_zone") or "UTC"
        loading = _Loading(
            connection=connection, time_zone=zone, loaded_at=loaded_at or datetime.now(UTC), mapping=mapping,
            names=Names(limits=limits), apart=apart,
        )  # fmt: skip
        for done, opened in enumerate(loading.in_turn(files)):
            name = opened.file.name
            progress(name, done, len(files))
            loading.take(opened, partial(_come_to, progress, name, done, len(files)))
        loading.finish()
        progress("", len(files), len(files))
    return LoadReport(
        files=loading.reports, others=others, time_zone=zone, dry_run=dry_run, proposals=loading.proposed,
        told_late=loading.told_late, notices=loading.notices,
    )  # fmt: skip


def _come_to(progress: Progress, file: str, done: int, total: int, rows: int) -> None:
    progress(f"{file}, to row {rows:,}", done, total)


@dataclass(kw_only=True)
class _Loading:
    """One load under way: the transaction, the reports so far, and rows of small files that wait to be merged."""

    connection: duckdb.DuckDBPyConnection
    time_zone: str
    loaded_at: datetime
    names: Names
    apart: Apart
    mapping: Mapping | None = None
    reports: list[FileReport] = field(default_factory=list)
    slips: list[pl.DataFrame] = field(default_factory=list)
    proposed: list[str] = field(default_factory=list)
    told_late: Counter[tuple[str, str]] = field(default_factory=Counter)
    waiting: list[tuple[Block, int]] = field(default_factory=list)
    waiting_columns: Columns | None = None
    waiting_rows: int = 0
    checked: list[pl.DataFrame] = field(default_factory=list)
    matched: dict[tuple[str, ...], Columns] = field(default_factory=dict)
    authority: Authority = field(default_factory=dict)
    table: str = ""
    notices: list[str] = field(default_factory=list)
    stored: set[str] = field(default_factory=set)
    units: dict[str, str] = field(default_factory=dict)
    matching: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        self.seen = seen_hashes(self.connection)
        self.first_id = next_id(self.connection, "loads", "load_id")
        self.salt = mapping_text(self.mapping) if self.mapping else ""

    def in_turn(self, files: Sequence[SourceFile]) -> Iterator[Opened]:
        """Each file in its turn, those of a table side by side: they are held against the tables before."""
        for table, alike in groupby(files, key=lambda file: file.table):
            self.flush()
            self._turn_to(table)
            yield from in_turn(list(alike), read=self._blocks, hashed=self._hashed, known=self.seen)

    def take(self, opened: Opened, come_to: Callable[[int], None]) -> None:
        """Read one file; its rows are merged now or with those of the files after it.

        Args:
            opened: The file.
            come_to: Told, of a large file, to which row it has come.
        """
        file = opened.file
        report = FileReport(
            load_id=self.first_id + len(self.reports),
            drop=file.drop,
            file=file.name,
            path=file.path,
            table=file.table,
        )
        self.reports.append(report)
        try:
            opened.refuse_unread()
            report.content_hash = opened.content_hash
            if report.content_hash in self.seen:
                report.skipped = True
                return
            with opened.blocks() as blocks:
                self._read(blocks, file, report, come_to)
            self.seen.add(report.content_hash)
        except DropError as error:
            report.unreadable, report.empty = str(error), isinstance(error, EmptyError)
            report.lacks_columns = isinstance(error, LacksColumnsError)
        except OSError as error:  # gone since it was found, or not for us to read
            report.unreadable = f"{file.name}: {error.strerror or error}. May it be read?"

    def _hashed(self, file: SourceFile) -> str:
        return content_hash(file, self._salt(file))

    def _salt(self, file: SourceFile) -> str:
        """What a file is beside its content: its mapping, and the names that the mapping reads."""
        if self.mapping and (self.mapping.from_name or self.mapping.from_folder):
            return f"{self.salt}\n{file.drop}/{file.name}"
        return self.salt

    def _turn_to(self, table: str) -> None:
        """Look up what the files of a table are held against."""
        self.table, self.matched, self.authority = table, {}, {}
        if self.mapping:
            self.units = units_of(table, catalogue_of(self.connection))
        if table in ("corrections", "snapshots", "readings"):
            catalogue = catalogue_of(self.connection)
            self.names.spelling = {code.casefold(): code for code in catalogue["code"]}
            if table != "corrections":
                self.authority = authority_of(catalogue)
                self.stored = {name.casefold() for name in columns_of(self.connection, table)}

    def _blocks(self, file: SourceFile) -> Iterator[Block]:
        if not self.mapping:
            return read_blocks(
                file.path, file.format, types=lambda header: self._columns(header, file).numbers,
                limits=self.names.limits, apart=self.apart,
            )  # fmt: skip
        return mapped_blocks(
            file, self.mapping, units=self.units, time_zone=self.time_zone, limits=self.names.limits, apart=self.apart
        )

    def _read(
        self, blocks: Iterator[Block], file: SourceFile, report: FileReport, come_to: Callable[[int], None]
    ) -> None:
        rows = 0
        for block in blocks:
            rows += block.height
            if rows > BATCH_ROWS:
                come_to(rows)
            columns = self._columns(block.names, file)
            report.extra, report.waiting = columns.extra, columns.waiting
            self._add(block, report, columns)
            if block.log_values is not None:
                add_log_values(self.connection, block.log_values, report.load_id)

    def _columns(self, header: Sequence[str], file: SourceFile) -> Columns:
        """What the columns of a header are; found once for all files of the table that have it."""
        names = tuple(header)
        with self.matching:
            if names not in self.matched:
                longest = self.names.limits.name_chars
                table = drop_tables()[file.table]
                found = match_columns(names, table, self.authority, file=file.name, longest=longest)
                self.matched[names] = with_room(found, self.stored, most=self.names.limits.columns)
            return self.matched[names]

    def _add(self, block: Block, report: FileReport, columns: Columns) -> None:
        if block.height >= BATCH_ROWS:
            self._check_waiting()
            self._check([(block, report.load_id)], columns)
            return
        alike = not self.waiting or (
            self.waiting_columns is columns
            and self.waiting[0][0].decimal_comma == block.decimal_comma
            and self.waiting[0][0].kinds == block.kinds
            and (self.waiting[0][0].reread is None) == (block.reread is None)
        )
        if not alike or self.waiting_rows + block.height > BATCH_ROWS:
            self._check_waiting()
        self.waiting.append((block, report.load_id))
        self.waiting_columns = columns
        self.waiting_rows += block.height

    def flush(self) -> None:
        """Check the rows that wait, and merge all that are checked."""
        self._check_waiting()
        self._merge()

    def _merge(self) -> None:
        if self.checked:
            parts, self.checked = self.checked, []
            self._count(merge_table(self.connection, self.table, parts, loaded_at=self.loaded_at))

    def _check_waiting(self) -> None:
        if self.waiting and self.waiting_columns:
            self._check(self.waiting, self.waiting_columns)
        self.waiting, self.waiting_rows = [], 0

    def _check(self, blocks: list[tuple[Block, int]], columns: Columns) -> None:
        table = drop_tables()[self.table]
        how = Reading(time_zone=self.time_zone, decimal_comma=blocks[0][0].decimal_comma)
        cells = frame_of_blocks([(block.cells, load_id) for block, load_id in blocks])
        checked = check_block(cells, table, columns, how, authority=self.authority, names=self.names)
        reread = read_again(blocks, checked.quarantined)
        if reread:
            cells = frame_of_blocks(reread)
            again = check_block(cells, table, columns, how, authority=self.authority, names=self.names)
            checked = with_second_look(checked, again)
        self._keep(checked.rows.drop("row_number"))
        for source, count in checked.naive_times.group_by(LOAD).len().iter_rows():
            self._report(source).naive_times += count
        add_quarantined(self.connection, checked.quarantined)
        mark_mended(self.connection, _came_again(checked.quarantined))
        self._count_problems(checked.quarantined, quarantined=True)
        self._flag(checked.flags)
        if self.table == "snapshots":
            self.slips += [slips_of_range(checked.quarantined), slips_of_range(checked.flags)]

    def _keep(self, rows: pl.DataFrame) -> None:
        """Rows that keep the contract wait for others like them, so that many are merged and sorted at once."""
        if "quarantine_id" in rows.columns:
            mark_mended(self.connection, rows.select("quarantine_id", LOAD).drop_nulls())
            rows = rows.drop("quarantine_id")
        held = [*self.checked, rows]
        alike = held[0].schema == rows.schema
        many = sum(part.height for part in held) > MERGED_ROWS
        full = not alike or many or sum(part.estimated_size() for part in held) > MERGED_BYTES
        del held
        if full:
            self._merge()
        self.checked += [rows] if rows.height else []

    def _report(self, load_id: int) -> FileReport:
        return self.reports[load_id - self.first_id]

    def _count(self, outcomes: pl.DataFrame) -> None:
        for load_id, outcome, count in outcomes.group_by("load_id", "outcome").len().iter_rows():
            report = self._report(load_id)
            setattr(report, outcome, getattr(report, outcome) + count)
        for load_id, count in outcomes.group_by("load_id").agg(pl.col("crowded").sum()).iter_rows():
            self._report(load_id).crowded += count

    def _count_problems(self, problems: pl.DataFrame, *, quarantined: bool) -> None:
        grouped = problems.group_by(LOAD, "column_name", "reason", maintain_order=True).agg(
            pl.len(), pl.col("row_number").first(), pl.col("detail").first()
        )
        for load_id, column, reason, count, row, detail in grouped.iter_rows():
            report = self._report(load_id)
            report.quarantined += count if quarantined else 0
            (report.reasons if quarantined else report.flags)[column, reason] += count
            report.examples.setdefault((column, reason), _example(row, detail))

    def _flag(self, flags: pl.DataFrame) -> None:
        add_flags(self.connection, flags)
        self._count_problems(flags, quarantined=False)

    def _flag_implausible(self) -> pl.DataFrame:
        """Flag what the rows around speak against; some of it is told of rows of earlier loads only now."""
        found = flag_implausible(self.connection, first_load=self.first_id, loaded_at=self.loaded_at)
        add_flags(self.connection, found)
        self._count_problems(found.filter(pl.col(LOAD) >= self.first_id), quarantined=False)
        earlier = found.filter(pl.col(LOAD) < self.first_id).select("column_name", "reason")
        self.told_late.update(earlier.iter_rows())
        return found

    def _propose(self, found: pl.DataFrame) -> None:
        earlier = file_names(self.connection)
        names = earlier | {report.load_id: f"{report.drop}/{report.file}" for report in self.reports}
        self.proposed += [proposal_text(row, names[row[LOAD]]) for row in found.iter_rows(named=True)]
        add_proposals(self.connection, found.with_columns(pl.Series("text", self.proposed, dtype=pl.String)))

    def finish(self) -> None:
        """Merge what waits, look at the new rows beside the old ones, and write down what each file was."""
        self.flush()
        self.notices += left_out(self.connection)
        implausible = self._flag_implausible()
        self._propose(proposals([*self.slips, slips_of_checks(implausible)]))
        for table in ("snapshots", "readings"):
            gather_vehicles(self.connection, table)
        kept = [report for report in self.reports if not report.skipped]
        if kept:
            add_loads(
                self.connection,
                pl.DataFrame([_as_row(r, self.time_zone, self.loaded_at) for r in kept], schema=pl.Schema(LOADS)),
            )


def _example(row: int | None, detail: str | None) -> str:
    return ": ".join(part for part in (f"row {row}" if row is not None else "", detail) if part)


def _came_again(quarantined: pl.DataFrame) -> pl.DataFrame:
    """quarantine_id and load_id of rows that were taken out of quarantine, and are back there: the new row counts."""
    which = pl.col("original").str.json_path_match("$.quarantine_id").cast(pl.Int64, strict=False)
    return quarantined.select(quarantine_id=which, load_id=LOAD).drop_nulls()


LOADS: dict[str, pl.DataType | type[pl.DataType]] = {
    "load_id": pl.Int32, "drop_name": pl.String, "file": pl.String, "path": pl.String, "table_name": pl.String,
    "content_hash": pl.String, "loaded_at": pl.Datetime("us", "UTC"), "row_count": pl.Int64, "loaded": pl.Int64,
    "repeated": pl.Int64, "replaced": pl.Int64, "quarantined": pl.Int64, "flagged": pl.Int64, "naive_times": pl.Int64,
    "time_zone": pl.String, "extra_columns": pl.String, "unreadable": pl.String,
}  # fmt: skip


def _as_row(report: FileReport, time_zone: str, loaded_at: datetime) -> dict[str, object]:
    return {
        "load_id": report.load_id, "drop_name": report.drop, "file": report.file, "path": visible(str(report.path)),
        "table_name": report.table, "content_hash": report.content_hash, "loaded_at": loaded_at,
        "row_count": report.rows, "loaded": report.loaded, "repeated": report.repeated, "replaced": report.replaced,
        "quarantined": report.quarantined, "flagged": report.flagged, "naive_times": report.naive_times,
        "time_zone": time_zone, "extra_columns": ", ".join([*report.extra, *report.waiting]),
        "unreadable": report.unreadable,
    }  # fmt: skip
