"""A file that is not in the contract's form: what would be made of it, what must be asked, and loading it then."""

import re
from collections.abc import Mapping as Answers
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.intake.blocks import BOOKKEEPING
from pipelines.intake.draft import Preview, draft_mapping, opened, preview_mapping
from pipelines.intake.draft_keys import Question, with_keys
from pipelines.intake.files import foreign_files
from pipelines.intake.headers import read_header
from pipelines.intake.load import Progress, load
from pipelines.intake.mapped import foreign_cells, made_of, units_of
from pipelines.intake.mapping import MappedColumn, Mapping
from pipelines.intake.report import LoadReport
from pipelines.intake.shapes import FOLDER, LISTED, keep_mapping, kept_mapping, shape_of
from pipelines.store.fleet_reads import vehicles_without_family
from pipelines.store.folder import Store
from pipelines.undated import ANSWERS as UNDATED
from pipelines.undated import IN_ORDER, undated

ENGINE, READ_AT = "engine_family", "read_at"
LONG_FRACTION = re.compile(r"-?\d+\.\d{7,}")
NOUGHT = re.compile(r"(?<![\w.])-0(?:\.0+)?(?![\w.])")
WHOLE = re.compile(r"(?<=\d)\.0$")  # of a whole number that was read as any number


@dataclass(frozen=True, kw_only=True)
class Look:
    """What would become of a file.

    mapping: By which it would be loaded.
    questions: To be answered before it can be.
    said: What was taken for granted.
    preview: What the mapping makes of its first rows; None while a question is open.
    shape: Of its columns: the mapping is kept under it.
    kept: The mapping was kept from an earlier file.
    engine: Column of readings that names each vehicle's engine; empty: none does.
    undated: What the values alone say (`pipelines.undated`), where a person says that nobody knows when they were read:
        then nothing is to be loaded. None: they are dated.
    """

    mapping: Mapping
    questions: tuple[Question, ...]
    said: tuple[str, ...]
    preview: Preview | None
    shape: str
    kept: bool
    engine: str = ""
    undated: pl.DataFrame | None = None


def look_at(path: Path, catalogue: pl.DataFrame, *, kept_in: Path, answers: Answers[str, str], table: str = "") -> Look:
    """What would become of a file: by the mapping kept for its shape, else by a draft.

    Args:
        path: The file.
        catalogue: Corrections of the fleet.
        kept_in: Folder of the store.
        answers: To questions of earlier looks, by their keys.
        table: The contract's table that its rows become; empty: found out.

    Raises:
        DropError: it cannot be read.
        SettingError: the mapping kept for it is none any more.
    """
    unknown = answers.get(READ_AT, "")
    if unknown in UNDATED:
        answers = {key: answer for key, answer in answers.items() if key != READ_AT}
    cells = opened(path, table).cells
    shape = shape_of([table, *(name for name in cells.columns if name not in BOOKKEEPING)])
    if kept := kept_mapping(kept_in, shape):
        keys = with_keys(kept, foreign_files([path], kept.table)[0], answers)
        mapping, questions, said = keys.mapping, tuple(keys.questions), tuple(keys.said)
    else:
        draft = draft_mapping(path, catalogue, table=table, answers=answers)
        mapping, questions, said = draft.mapping, draft.questions, draft.said
    values = None
    if unknown in UNDATED and any(question.key == READ_AT for question in questions):
        questions = tuple(question for question in questions if question.key != READ_AT)
        mapping = replace(mapping, columns=tuple(column for column in mapping.columns if column.to != READ_AT))
        values = (
            None if questions else undated(_rows(path, mapping, catalogue), catalogue, in_order=unknown == IN_ORDER)
        )
    preview = None if questions else preview_mapping(path, mapping, catalogue)
    return Look(
        mapping=mapping, questions=questions, said=said, preview=preview, shape=shape, kept=kept is not None,
        undated=values,
        engine=_engine_column(cells) if mapping.table == "snapshots" else "",
    )  # fmt: skip


def _rows(path: Path, mapping: Mapping, catalogue: pl.DataFrame) -> pl.DataFrame:
    """All rows of a file as a mapping makes them."""
    [file] = foreign_files([path], mapping.table)
    cells, comma = foreign_cells(file, mapping)
    units = units_of(mapping.table, catalogue)
    return made_of(cells, file, mapping, units=units, decimal_comma=comma, time_zone="UTC")


def effect(look: Look) -> list[str]:
    """What a look found, in lines: the rule of each column with its first cell, what was assumed, what is left."""
    if look.preview is None:
        return []
    mapped = look.preview.columns.iter_rows(named=True)
    lines = [f"Its rows become {look.mapping.table}:"]
    for row, column in zip(mapped, look.mapping.columns, strict=True):
        unit = f" {row['store_unit']}" if row["store_unit"] not in ("", "1") else ""
        becomes = (
            f"{_short(row['becomes'])}{unit}"
            if row["becomes"]
            else "nothing: too few rows count, or the cells are empty"
        )
        of = f" ({column.how} of the rows that count)" if column.how else ""
        lines.append(f"  {row['source']}: '{row['example']}'  ->  {row['to']}: {becomes}{of}")
    lines += [f"  every row  ->  {name}: {cell}" for name, cell in look.mapping.constants.items()]
    if look.mapping.long:
        lines.append(
            f"  It holds one value a row: rows of the same {' and '.join(look.mapping.long.by)} become one row."
        )
    lines += [f"  {line}" for line in look.said]
    if look.engine:
        lines.append(f"  {look.engine}  ->  engine family of vehicles that no list of vehicles names")
    if left := [name for name in look.preview.unmapped if name != look.engine]:
        lines.append(f"  Not understood, left out: {', '.join(left)}.")
    return lines


def _short(cell: str) -> str:
    """A cell as people write it: whole numbers without a fraction, none longer than it says anything."""
    return f"{float(cell):.6g}" if LONG_FRACTION.fullmatch(cell) else as_written(cell)


def as_written(cell: str) -> str:
    """A cell without the fraction of a whole number and without the sign of nought."""
    return NOUGHT.sub("0", WHOLE.sub("", cell))


def load_looked_at(
    store: Store, paths: Sequence[Path], look: Look, *, progress: Progress = lambda *_: None
) -> LoadReport:
    """Load files of one shape by the mapping of a look, and keep it for the next ones.

    Raises:
        DropError: there is nothing to load.
        StoreError: the store cannot be written.
    """
    report = load(store, paths, mapping=look.mapping, progress=progress)
    if not look.kept and report.exit_code != 2:
        keep_mapping(store.path, look.shape, look.mapping, source=paths[0].name)
    return report


def says_nothing(look: Look) -> bool:
    """Whether nothing of a file of readings but its keys is understood: to load that would keep empty readings."""
    made = {column.to for column in look.mapping.columns}
    return look.mapping.table == "snapshots" and made <= set(drop_tables()["snapshots"].key)


def _engine_column(cells: pl.DataFrame) -> str:
    named = [name for name in cells.columns if name not in BOOKKEEPING and ENGINE in read_header(name).meanings()]
    return next((name for name in named if cells[name].dtype == pl.String), "")


def engines_in(path: Path, look: Look, catalogue: pl.DataFrame) -> dict[str, str]:
    """The engine of each vehicle of a file of readings, by its number, as the file names it last; none: it does not.

    Raises:
        DropError: the file cannot be read.
    """
    if not look.engine:
        return {}
    ids = [replace(column, how="", where=()) for column in look.mapping.columns if column.to == "vehicle_id"]
    of_file = look.mapping
    mapping = replace(
        of_file, table="vehicles", long=None, columns=(*ids, MappedColumn(to=ENGINE, source=look.engine)),
        constants=_vehicle_alone(of_file.constants), from_name=_vehicle_alone(of_file.from_name),
        from_folder=_vehicle_alone(of_file.from_folder),
    )  # fmt: skip
    rows = _rows(path, mapping, catalogue)
    named = rows.select(pl.col("vehicle_id", ENGINE).cast(pl.String).str.strip_chars())
    return dict(named.filter((pl.col("vehicle_id") != "") & (pl.col(ENGINE) != "")).iter_rows())


def _vehicle_alone(said: Answers[str, str]) -> dict[str, str]:
    return {to: says for to, says in said.items() if to == "vehicle_id"}


def name_families(store: Store, family: str, engines: Answers[str, str] | None = None) -> int:
    """Say of all vehicles that no file `vehicles` names of which engine family they are; how many they were.

    Args:
        store: Where they are.
        family: Of those whose engine is not known.
        engines: Engine by vehicle, where a file said it.
    """
    unnamed = vehicles_without_family(store)
    if unnamed:
        known = engines or {}
        folder = store.path / FOLDER
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / LISTED
        families = [known.get(vehicle, family) for vehicle in unnamed]
        pl.DataFrame({"vehicle_id": unnamed, ENGINE: families}).write_csv(file)
        load(store, [file])
    return len(unnamed)
