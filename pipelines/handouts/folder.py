"""Writes the papers of a plan into a folder: plan.xlsx, plan-DEPOT.ics, week-DEPOT.pdf and card-VEHICLE.pdf."""

import re
from collections.abc import Iterator
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.handouts.calendars import calendar_of
from pipelines.handouts.gather import Papers
from pipelines.handouts.papers import card_pdf, week_pdf
from pipelines.handouts.workbook import workbook_of

NO_DEPOT = "no-depot"
LONGEST_NAME = 80


def write_papers(papers: Papers, folder: Path) -> list[Path]:
    """Write every paper, each whole or not at all; those of an earlier plan that have the same name are replaced.

    Raises:
        SettingError: the folder cannot be written.
    """
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in _papers(papers):
            target = folder / name
            partial = target.with_name(f".{name}.partial")
            partial.write_bytes(content)
            partial.replace(target)
            written.append(target)
    except OSError as error:
        raise SettingError(f"{folder}: cannot be written ({error.strerror or error}). Choose another place.") from error
    return written


def _papers(papers: Papers) -> Iterator[tuple[str, bytes]]:
    taken: set[str] = set()
    yield "plan.xlsx", workbook_of(papers)
    for depot in papers.plan["depot"].unique().sort().to_list():
        name = _name(depot or NO_DEPOT, taken)
        yield f"plan-{name}.ics", calendar_of(papers, depot)
        yield f"week-{name}.pdf", week_pdf(depot or "", papers)
    taken.clear()
    for card in papers.cards:
        yield f"card-{_name(card['vehicle'], taken)}.pdf", card_pdf(card, papers)


def _name(text: str, taken: set[str]) -> str:
    """The text as part of a file's name: letters, digits, dots and dashes of any script; no two are the same."""
    plain = re.sub(r"[^\w.-]+", "_", text).strip(".")[:LONGEST_NAME] or "_"
    name, number = plain, 2
    while name.casefold() in taken:
        name, number = f"{plain}~{number}", number + 1
    taken.add(name.casefold())
    return name
