"""Loads drops into a store: finds the files, reads, checks and merges their rows, in one transaction; returns a report.

Rows of many small files are checked and merged together; a large file goes block by block, so memory stays bounded.
"""

import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import available_timezones

import duckdb
import polars as pl

from pipelines.catalogue.corrections import built_in_corrections, overridden
from pipelines.catalogue.tables import drop_tables
from pipelines.errors import DropError, SettingError
from pipelines.intake.casting import Reading
from pipelines.intake.checking import Authority, check_block
from pipelines.intake.columns import Columns, match_columns
from pipelines.intake.delimited import BOOKKEEPING, CELLS, LOAD, Block
from pipelines.intake.files import SourceFile, content_hash, find_files
from pipelines.intake.reading import read_blocks
from pipelines.intake.report import FileReport, LoadReport
from pipelines.store.connection import frame_of
from pipelines.store.folder import Store
from pipelines.store.loads import add_flags, add_loads, add_quarantined, mark_mended, next_id, seen_hashes
from pipelines.store.long_readings import merge_readings
from pipelines.store.plausibility import flag_implausible
from pipelines.store.rows import merge_rows
from pipelines.store.schema import get_setting, put_setting

BATCH_ROWS = 50_000  # rows of small files that are checked and merged together
Progress = Callable[[str, int, int], None]


def load(
    store: Store,
    drops: Sequence[Path],
    *,
    time_zone: str | None = None,
    loaded_at: datetime | None = None,
    dry_run: bool = False,
    mapping: Path | None = None,
    progress: Progress = lambda file, done, total: None,
) -> LoadReport:
    """Load drops; acknowledged only when every good row is in the store for good.

    Args:
        store: Where to.
        drops: Folders and single files.
        time_zone: Zone of times without an offset, kept for later loads; None: the store's (UTC at first).
        loaded_at: When these rows became known; None: now.
        dry_run: Do all of it on a copy that is thrown away.
        progress: Called with each file's name, how many are done, and how many there are.

    Raises:
        DropError: a path does not exist, or there is no file to load in it.
        SettingError: the time zone is not known.
        StoreError: the store is locked, damaged or full.
    """
    if time_zone is not None and time_zone not in available_timezones():
        raise SettingError(f"time zone: '{time_zone}' is not known. Name one such as UTC or Europe/Lisbon.")
    files, others = find_files(drops)
    if not files:
        raise DropError(
            f"{', '.join(str(d) for d in drops)}: no file to load. A drop holds files such as snapshots.csv or vehicles.parquet."
        )
    if dry_run:
        with tempfile.TemporaryDirectory(prefix="leeway-") as folder:
            copy = Store(folder)
            if version := store.version():
                shutil.copyfile(store.state_file(version), copy.state_file(version))
            return _load_files(copy, files, others, time_zone, loaded_at, progress, dry_run=True)
    return _load_files(store, files, others, time_zone, loaded_at, progress, dry_run=False)


def _load_files(
    store: Store, files: list[SourceFile], others: list[Path], time_zone: str | None, loaded_at: datetime | None,
    progress: Progress, *, dry_run: bool,
) -> LoadReport:  # fmt: skip
    with store.writing(f"leeway load, {len(files)} files") as connection:
        if time_zone is not None:
            put_setting(connection, "time_zone", time_zone)
        zone = get_setting(connection, "time_zone") or "UTC"
        loading = _Loading(connection=connection, time_zone=zone, loaded_at=loaded_at or datetime.now(UTC))
        for done, file in enumerate(files):
            progress(file.name, done, len(files))
            loading.take(file)
        loading.finish()
        progress("", len(files), len(files))
    return LoadReport(files=loading.reports, others=others, time_zone=zone, dry_run=dry_run)


@dataclass(kw_only=True)
class _Loading:
    """One load under way: the transaction, the reports so far, and rows of small files that wait to be merged."""

    connection: duckdb.DuckDBPyConnection
    time_zone: str
    loaded_at: datetime
    reports: list[FileReport] = field(default_factory=list)
    waiting: list[pl.DataFrame] = field(default_factory=list)
    waiting_kind: tuple[str, bool, Columns] | None = None
    authority: dict[str, tuple[float, float]] = field(default_factory=dict)
    table: str = ""

    def __post_init__(self) -> None:
        self.seen = seen_hashes(self.connection)
        self.first_id = next_id(self.connection, "loads", "load_id")

    def take(self, file: SourceFile) -> None:
        """Read one file; its rows are merged now or with those of the files after it."""
        if file.table != self.table:
            self.flush()
            self.authority = _authority(self.connection) if file.table in ("snapshots", "readings") else {}
            self.table = file.table
        report = FileReport(
            load_id=self.first_id + len(self.reports),
            drop=file.drop,
            file=file.name,
            path=file.path,
            table=file.table,
            content_hash=content_hash(file.path),
        )
        self.reports.append(report)
        if report.content_hash in self.seen:
            report.skipped = True
            return
        try:
            self._read(file, report)
            self.seen.add(report.content_hash)
        except DropError as error:
            report.unreadable = str(error)

    def _read(self, file: SourceFile, report: FileReport) -> None:
        table = drop_tables()[file.table]
        matched: dict[tuple[str, ...], Columns] = {}

        def columns_of(header: Sequence[str]) -> Columns:
            names = tuple(name for name in header if name not in BOOKKEEPING)
            if names not in matched:
                matched[names] = match_columns(names, table, self.authority, file=file.name)
            return matched[names]

        for block in read_blocks(file.path, file.format, types=lambda header: columns_of(header).numbers):
            columns = columns_of(block.cells.columns)
            report.extra, report.waiting = columns.extra, columns.waiting
            self._add(block, report, columns)

    def _add(self, block: Block, report: FileReport, columns: Columns) -> None:
        kind = (report.table, block.decimal_comma, columns)
        cells = _numbered(block.cells, report.load_id)
        if block.reread is not None or cells.height >= BATCH_ROWS:
            self.flush()
            self._merge(cells, kind, block.reread, report.load_id)
            return
        if kind != self.waiting_kind or sum(c.height for c in self.waiting) + cells.height > BATCH_ROWS:
            self.flush()
        self.waiting_kind = kind
        self.waiting.append(cells)

    def flush(self) -> None:
        """Merge the rows that wait."""
        if self.waiting and self.waiting_kind:
            cells = pl.concat(self.waiting, how="vertical_relaxed") if len(self.waiting) > 1 else self.waiting[0]
            self._merge(cells, self.waiting_kind, None, 0)
        self.waiting, self.waiting_kind = [], None

    def _merge(
        self,
        cells: pl.DataFrame,
        kind: tuple[str, bool, Columns],
        reread: Callable[[], pl.DataFrame] | None,
        load_id: int,
    ) -> None:
        name, decimal_comma, columns = kind
        table = drop_tables()[name]
        how = Reading(time_zone=self.time_zone, decimal_comma=decimal_comma)
        authority: Authority = self.authority
        checked = check_block(cells, table, columns, how, authority=authority)
        if reread is not None and checked.quarantined.height:
            cells = _numbered(reread(), load_id)
            checked = check_block(cells, table, columns, how, authority=authority)
        rows = checked.rows
        if "quarantine_id" in rows.columns:
            mark_mended(self.connection, rows.select("quarantine_id", LOAD).drop_nulls())
            rows = rows.drop("quarantine_id")
        if rows.height:
            merge = merge_readings if name == "readings" else lambda *a, **k: merge_rows(a[0], name, a[1], **k)
            self._count(merge(self.connection, rows.drop("row_number"), loaded_at=self.loaded_at))
        for source, count in checked.naive_times.group_by(LOAD).len().iter_rows():
            self._report(source).naive_times += count
        add_quarantined(self.connection, checked.quarantined)
        self._count_problems(checked.quarantined, quarantined=True)
        self._flag(checked.flags)

    def _report(self, load_id: int) -> FileReport:
        return self.reports[load_id - self.first_id]

    def _count(self, outcomes: pl.DataFrame) -> None:
        for load_id, outcome, count in outcomes.group_by("load_id", "outcome").len().iter_rows():
            report = self._report(load_id)
            setattr(report, outcome, getattr(report, outcome) + count)

    def _count_problems(self, problems: pl.DataFrame, *, quarantined: bool) -> None:
        grouped = problems.group_by(LOAD, "column_name", "reason", maintain_order=True).agg(
            pl.len(), pl.col("row_number").first(), pl.col("detail").first()
        )
        for load_id, column, reason, count, row, detail in grouped.iter_rows():
            report = self._report(load_id)
            report.quarantined += count if quarantined else 0
            (report.reasons if quarantined else report.flags)[column, reason] += count
            report.examples.setdefault((column, reason), f"row {row}: {detail}" if row is not None else str(detail))

    def _flag(self, flags: pl.DataFrame) -> None:
        add_flags(self.connection, flags)
        self._count_problems(flags, quarantined=False)

    def finish(self) -> None:
        """Merge what waits, look at the new rows beside the old ones, and write down what each file was."""
        self.flush()
        self._flag(flag_implausible(self.connection, first_load=self.first_id))
        kept = [report for report in self.reports if not report.skipped]
        if kept:
            add_loads(
                self.connection,
                pl.DataFrame([_as_row(r, self.time_zone, self.loaded_at) for r in kept], schema=pl.Schema(LOADS)),
            )


def _numbered(cells: pl.DataFrame, load_id: int) -> pl.DataFrame:
    """The cells with every bookkeeping column, in one order."""
    if CELLS not in cells.columns:
        cells = cells.with_columns(pl.lit(None, dtype=pl.Int64).alias(CELLS))
    names = [name for name in cells.columns if name not in BOOKKEEPING]
    return cells.with_columns(pl.lit(load_id, dtype=pl.Int32).alias(LOAD)).select(*names, *BOOKKEEPING)


def _authority(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[float, float]]:
    """Lowest and highest value of each correction of the catalogue, one step beyond its limits."""
    own = frame_of(connection, "SELECT * EXCLUDE (load_id) FROM corrections")
    catalogue = overridden(built_in_corrections(), own)
    step = pl.col("resolution").fill_null(0.0)
    limits = catalogue.select(
        "code",
        (pl.col("low_limit") - step).fill_null(-float("inf")),
        (pl.col("high_limit") + step).fill_null(float("inf")),
    )
    return {code: (low, high) for code, low, high in limits.iter_rows()}


LOADS: dict[str, pl.DataType | type[pl.DataType]] = {
    "load_id": pl.Int32, "drop_name": pl.String, "file": pl.String, "path": pl.String, "table_name": pl.String,
    "content_hash": pl.String, "loaded_at": pl.Datetime("us", "UTC"), "row_count": pl.Int64, "loaded": pl.Int64,
    "repeated": pl.Int64, "replaced": pl.Int64, "quarantined": pl.Int64, "flagged": pl.Int64, "naive_times": pl.Int64,
    "time_zone": pl.String, "extra_columns": pl.String, "unreadable": pl.String,
}  # fmt: skip


def _as_row(report: FileReport, time_zone: str, loaded_at: datetime) -> dict[str, object]:
    return {
        "load_id": report.load_id, "drop_name": report.drop, "file": report.file, "path": str(report.path),
        "table_name": report.table, "content_hash": report.content_hash, "loaded_at": loaded_at,
        "row_count": report.rows, "loaded": report.loaded, "repeated": report.repeated, "replaced": report.replaced,
        "quarantined": report.quarantined, "flagged": report.flagged, "naive_times": report.naive_times,
        "time_zone": time_zone, "extra_columns": ", ".join([*report.extra, *report.waiting]), "unreadable": report.unreadable,
    }  # fmt: skip
