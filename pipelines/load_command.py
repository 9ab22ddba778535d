"""`leeway load`: drops of the contract's form, and any other file, which is looked at, asked about, and then loaded."""

import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipelines.command_options import Time, store_option
from pipelines.errors import DropError, LeewayError, SettingError
from pipelines.intake.limits import limits_help
from pipelines.store.folder import Store
from pipelines.terminal import say
from pipelines.visible import visible

if TYPE_CHECKING:
    import polars as pl

    from pipelines.intake.anything import Look
    from pipelines.intake.apart import Apart
    from pipelines.intake.draft_keys import Question
    from pipelines.intake.mapping import Mapping
    from pipelines.intake.report import LoadReport

NOTHING_READ, SOME_SET_ASIDE = 2, 3  # exit codes
MOST_EXAMPLES = 3  # rows that are shown as they would be loaded
MOST_FAMILIES = 6  # names that are told


@click.command(epilog=limits_help())
@click.argument("drops", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE_OR_FOLDER...")
@store_option
@click.option(
    "--mapping",
    type=click.Path(path_type=Path, dir_okay=False),
    help="TOML file that says what the columns of a foreign file mean: see leeway explain mapping.",
)
@click.option(
    "--yes", is_flag=True, help="Ask nothing: load as drafted, or stop with code 2 where an answer is needed."
)
@click.option(
    "--answer", "answers", multiple=True, metavar="WHAT=ANSWER", help="Answers a question beforehand: vehicle_id=V-12."
)
@click.option(
    "--table", default="", metavar="TABLE", help="The table that rows of a foreign file become, if not clear."
)
@click.option(
    "--timezone",
    "time_zone",
    metavar="ZONE",
    help="Zone of times without an offset, kept for later loads (UTC at first).",
)
@click.option("--dry-run", is_flag=True, help="Show what would happen and keep nothing.")
@click.option("--verbose", is_flag=True, help="A line per file and reason, however many there are.")
@click.option("--loaded-at", type=Time(), hidden=True, help="When the rows became known; for replaying the past.")
def load(
    *,
    drops: tuple[Path, ...],
    store: Store,
    mapping: Path | None,
    yes: bool,
    answers: tuple[str, ...],
    table: str,
    time_zone: str | None,
    dry_run: bool,
    verbose: bool,
    loaded_at: datetime | None,
) -> None:
    """Load what there is: drops, spreadsheets, logs of a reader, exports of a workshop; folders, or single files.

    Files called after a table of a drop (leeway explain drop) load as they are: good rows load, bad rows go to
    quarantine with their file, row and reason, files seen before are skipped. Any other file is looked at: what would
    become of its columns is shown, what only you can know is asked, and the mapping is kept beside the store for the
    next file with the same columns.

    Exit code: 0 all loaded; 3 something is in quarantine; 2 nothing could be read, or an answer is needed.

    \b
    Examples:
      leeway load vans.xlsx
      leeway load reader-logs/ --store fleet.store
      leeway load export.csv --yes --answer vehicle_id=V-12 --answer engine_family="2.0 petrol"
      leeway load drops/2031-02
      leeway load reader-log.csv --mapping reader.toml --dry-run

    \b
    Words of a mapping (leeway explain mapping says each, with an example):
      table, [file] separator decimal skip_lines short_rows,
      [constants], [from_name], [from_folder], [log] session_gap_minutes least_rows,
      [long] name value unit by,
      [[column]] to from unit form true false how where (column above below equals)
    """  # noqa: D301 (click reads the escape)
    how = _How(yes=yes, dry_run=dry_run, verbose=verbose, time_zone=time_zone, loaded_at=loaded_at, table=table)
    how.answers.update(_answers(answers))
    if mapping:
        _by_mapping(store, drops, mapping, how)
    plain, foreign = _parted(drops, how)
    codes = []
    if plain:
        report = _load(store, plain, None, how)
        lacking = [file.path for file in report.files if file.unreadable and file.lacks_columns]
        if how.asks and lacking:
            say(*[line for line in report.lines(verbose=verbose) if "not read." not in line])
            foreign += [path for path in lacking if path not in foreign]
            codes += [report.exit_code] if len(lacking) < len(report.files) else []
        else:
            say(*report.lines(verbose=verbose))
            codes.append(report.exit_code)
    if foreign:
        codes += _load_foreign(store, foreign, how)
    if how.asks and not dry_run and store.exists():
        _families(store, how)
        say(f"Next: leeway analyse --store {store.path}, then leeway serve --store {store.path}")
    sys.exit(_exit_code(codes))


def _exit_code(codes: Sequence[int]) -> int:
    """Of several loads: 2 where nothing of any could be read, 3 where something of one could not."""
    if codes and all(code == NOTHING_READ for code in codes):
        return NOTHING_READ
    return SOME_SET_ASIDE if any(codes) else 0


class _How:
    """What a load was asked to do, and what has been answered so far."""

    def __init__(
        self, *, yes: bool, dry_run: bool, verbose: bool, time_zone: str | None, loaded_at: datetime | None, table: str
    ) -> None:
        self.yes, self.dry_run, self.verbose, self.table = yes, dry_run, verbose, table
        self.time_zone, self.loaded_at = time_zone, loaded_at
        self.answers: dict[str, str] = {}
        self.engines: dict[str, str] = {}
        self.talks = someone_answers() and not yes

    @property
    def asks(self) -> bool:
        """Whether foreign files are looked at: someone answers, or has said to go on without."""
        return self.talks or self.yes or bool(self.answers)


def someone_answers() -> bool:
    """Whether a person is at the terminal."""
    return sys.stdin.isatty()


def _answers(given: Sequence[str]) -> dict[str, str]:
    for each in given:
        if "=" not in each:
            raise SettingError(f"--answer '{visible(each)}': says nothing. Write WHAT=ANSWER, such as vehicle_id=V-12.")
    return dict(each.split("=", 1) for each in given)


def _parted(drops: Sequence[Path], how: _How) -> tuple[list[Path], list[Path]]:
    """Paths that load as they are, and foreign files: those of a known ending whose names belong to no table."""
    from pipelines.catalogue.tables import drop_tables  # noqa: PLC0415 (keeps --help quick)
    from pipelines.intake.files import foreign_files, table_of  # noqa: PLC0415

    if not how.asks:
        return list(drops), []  # as a script has them: what is no drop is refused or left out, and said
    plain: list[Path] = []
    foreign: list[Path] = []
    for drop in drops:
        every = [file.path for file in foreign_files([drop], "snapshots")]
        own = [path for path in every if table_of(path.name) not in drop_tables()]
        foreign += own
        if len(own) < len(every) or not every:
            plain.append(drop)
    return plain, foreign


def _by_mapping(store: Store, drops: Sequence[Path], mapping: Path, how: _How) -> None:
    from pipelines.intake.draft import preview_mapping  # noqa: PLC0415
    from pipelines.intake.files import foreign_files  # noqa: PLC0415
    from pipelines.intake.mapping import read_mapping  # noqa: PLC0415
    from pipelines.store.fleet_reads import known_corrections  # noqa: PLC0415

    meaning = read_mapping(mapping)
    files = foreign_files(drops, meaning.table)
    if how.dry_run and files:
        say(*preview_mapping(files[0].path, meaning, known_corrections(store)).lines())
    report = _load(store, drops, meaning, how)
    say(*report.lines(verbose=how.verbose))
    sys.exit(report.exit_code)


def _load(store: Store, drops: Sequence[Path], meaning: "Mapping | None", how: _How) -> "LoadReport":
    from pipelines.intake.load import load as load_drops  # noqa: PLC0415 (keeps --help quick)

    with click.progressbar(
        length=1, label="Loading", file=sys.stderr, hidden=not sys.stderr.isatty(), item_show_func=_shown
    ) as bar:

        def progress(file: str, done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos, file)

        return load_drops(
            store, drops, time_zone=how.time_zone, loaded_at=how.loaded_at, dry_run=how.dry_run, mapping=meaning,
            progress=progress,
        )  # fmt: skip


def _shown(file: str | None) -> str:
    """The name of the file that is being loaded, beside the progress bar."""
    return visible(file or "")


def _load_foreign(store: Store, paths: Sequence[Path], how: _How) -> list[int]:
    """Look at each file, ask, and load those that are alike together; the exit code of each load."""
    from pipelines.intake.apart import Apart  # noqa: PLC0415 (keeps --help quick)
    from pipelines.intake.limits import limits_from  # noqa: PLC0415
    from pipelines.store.fleet_reads import known_corrections  # noqa: PLC0415

    codes: list[int] = []
    alike: list[tuple[Look, list[Path]]] = []
    catalogue = known_corrections(store)
    with Apart(limits_from()) as apart:
        for path in paths:
            try:
                look = _look(store, path, catalogue, apart, how, shown={each.shape for each, _ in alike})
            except LeewayError as error:
                say(f"{visible(path.name)}: not loaded. {error}", err=True)
                codes.append(NOTHING_READ)
                continue
            if look is None:
                codes.append(NOTHING_READ)
                continue
            if look.undated is not None:
                codes.append(0)
                continue
            same = [files for other, files in alike if other.mapping == look.mapping]
            if same:
                same[0].append(path)
            else:
                alike.append((look, [path]))
    return codes + _load_alike(store, alike, catalogue, how)


def _load_alike(
    store: Store, alike: "Sequence[tuple[Look, list[Path]]]", catalogue: "pl.DataFrame", how: _How
) -> list[int]:
    """Load files of each shape together, and keep its mapping; the exit code of each load."""
    from pipelines.catalogue.checks import waits_for  # noqa: PLC0415 (keeps --help quick)
    from pipelines.intake.anything import engines_in  # noqa: PLC0415
    from pipelines.intake.shapes import keep_mapping  # noqa: PLC0415

    codes: list[int] = []
    kept: set[str] = set()
    for look, files in alike:
        report = _load(store, files, look.mapping, how)
        if not how.dry_run:
            report = report.without_flag(waits_for("vehicles"))  # which `_families` names next
        say(*report.lines(verbose=how.verbose))
        codes.append(report.exit_code)
        if report.exit_code != NOTHING_READ:
            for path in files:
                how.engines.update(engines_in(path, look, catalogue))
        if not how.dry_run and not look.kept and report.exit_code != NOTHING_READ and look.shape not in kept:
            kept.add(look.shape)
            place = keep_mapping(store.path, look.shape, look.mapping, source=files[0].name)
            say(f"Files with the same columns are read in this way from now on: {place}")
    return codes


def _look(
    store: Store, path: Path, catalogue: "pl.DataFrame", apart: "Apart", how: _How, *, shown: set[str]
) -> "Look | None":
    """What becomes of a file once everything is answered; None: it is not to be loaded."""
    from pipelines.intake.anything import effect, look_at, says_nothing  # noqa: PLC0415 (keeps --help quick)
    from pipelines.intake.draft_keys import BY_FOLDER  # noqa: PLC0415
    from pipelines.undated import undated_lines  # noqa: PLC0415

    answers = dict(how.answers)
    while True:
        look = apart.run(path.name, look_at, path, catalogue, kept_in=store.path, answers=answers, table=how.table)
        if not look.questions:
            break
        question = look.questions[0]
        if not how.talks:
            raise DropError(_needed(question))
        say("", f"{visible(path.name)}: {visible(question.text)}")
        answers[question.key] = _asked(question, look.mapping.table)
        if answers[question.key] == BY_FOLDER:  # of every file, not of this one alone
            how.answers[question.key] = BY_FOLDER
    if says_nothing(look):
        left = ", ".join(look.preview.unmapped) if look.preview else ""
        raise DropError(f"nothing of it but vehicle and time is understood (not: {left}). Say what its columns are "
                        "in a mapping (leeway explain mapping), or load a catalogue that names them first (leeway "
                        "explain corrections).")  # fmt: skip
    if look.undated is not None:
        say(f"{visible(path.name)}:", *(f"  {line}" for line in undated_lines(look.undated)))
        return look
    if look.shape in shown:
        return look
    head = "is read as files with these columns were before" if look.kept else "is no drop; it is understood so"
    say(f"{visible(path.name)} {head}.", *map(visible, effect(look)), *_rows(look))
    if how.talks and not look.kept and not click.confirm("Load it in this way?", default=True):
        say("Not loaded. Write a mapping yourself with: leeway explain mapping")
        return None
    return look


def _needed(question: "Question") -> str:
    options = " or ".join(f"{answer} ({meaning})" for answer, meaning in question.options)
    hint = f" For example {options}." if options else ""
    return f'{question.text}{hint} Answer with --answer "{question.key}=..."'


def _asked(question: "Question", table: str) -> str:
    """What a person answers; to a question mark, what is asked for is explained, and asked again."""
    from pipelines.explain import answer_help  # noqa: PLC0415 (keeps --help quick)

    given = _answered(question)
    while given == "?":
        say(*(answer_help(question.key, table) or ["Nothing more is known of it than the question says."]))
        given = _answered(question)
    return given


def _answered(question: "Question") -> str:
    if not question.options:
        return str(click.prompt("Answer (? explains)")).strip()
    for number, (answer, meaning) in enumerate(question.options, start=1):
        say(
            f"  {number}  {visible(meaning)} ({visible(answer)})"
            if answer != meaning
            else f"  {number}  {visible(answer)}"
        )
    given = str(click.prompt("Answer (a number, or your own; ? explains)", default="1")).strip()
    if given.isdigit() and 1 <= int(given) <= len(question.options):
        return question.options[int(given) - 1][0]
    return given


def _rows(look: "Look") -> list[str]:
    """The first rows as they would be loaded."""
    if look.preview is None or not look.preview.rows.height:
        return ["  No row comes out of it: see which rows count."] if look.preview is not None else []
    rows = look.preview.rows.head(MOST_EXAMPLES)
    return ["First rows as they would be loaded:", *(
        "  " + ", ".join(f"{name} {_cell(value)}" for name, value in row.items() if value not in (None, ""))
        for row in rows.iter_rows(named=True)
    )]  # fmt: skip


def _cell(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    from pipelines.intake.anything import as_written  # noqa: PLC0415 (keeps --help quick)

    return visible(as_written(str(value)))


def _families(store: Store, how: _How) -> None:
    """Vehicles of no engine family are compared with nobody: one family is offered for all of them."""
    from pipelines.intake.anything import name_families  # noqa: PLC0415 (keeps --help quick)
    from pipelines.intake.draft_lists import ONE_FAMILY  # noqa: PLC0415
    from pipelines.store.fleet_reads import vehicles_without_family  # noqa: PLC0415

    unnamed = vehicles_without_family(store)
    if not unnamed:
        return
    said = {vehicle: how.engines[vehicle] for vehicle in unnamed if vehicle in how.engines}
    rest = len(unnamed) - len(said)
    family = how.answers.get("engine_family", "")
    if rest and not family and how.talks:
        say("", f"No file says which engines are alike ({_vehicles(rest)}). Vehicles of one family are compared.")
        family = str(click.prompt("Name of the one family of all of them", default=ONE_FAMILY)).strip()
    family = family or ONE_FAMILY
    name_families(store, family, said)
    if said:
        names = sorted(set(said.values()))
        say(f"Engine families as the file names the engines: {visible(', '.join(names[:MOST_FAMILIES]))}"
            f"{f' and {len(names) - MOST_FAMILIES} more' if len(names) > MOST_FAMILIES else ''}.")  # fmt: skip
    if rest:
        say(f"{_vehicles(rest)} {'is' if rest == 1 else 'are'} compared as one engine family, '{visible(family)}'; a "
            "list of vehicles with their engines (leeway load LIST) says it better.")  # fmt: skip


def _vehicles(count: int) -> str:
    return f"{count} vehicle" if count == 1 else f"{count} vehicles"
