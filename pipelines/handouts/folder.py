"""The papers of a plan, in a folder or packed.

Names: plan.xlsx, plan-DEPOT.ics, week-DEPOT.pdf, card-VEHICLE.pdf, of work under warranty claim-VEHICLE.pdf and
claim-VEHICLE.xlsx, and of parts that came back supplier-PART.pdf.
"""

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

from pipelines.errors import SettingError
from pipelines.handouts.calendars import calendar_of
from pipelines.handouts.gather import Papers
from pipelines.handouts.papers import card_pdf, claim_pdf, supplier_pdf, week_pdf
from pipelines.handouts.workbook import workbook_of
from pipelines.store.exporting import sheets_bytes

NO_DEPOT = "no-depot"
LONGEST_NAME = 80
FIRST_YEAR = 1980  # that a ZIP file can tell


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


def packed_papers(papers: Papers, *, claims_alone: bool = False) -> bytes:
    """Every paper, or the claim packs alone, in one ZIP file."""
    day = papers.as_of.timetuple()[:6] if papers.as_of.year >= FIRST_YEAR else (FIRST_YEAR, 1, 1, 0, 0, 0)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in _claims_or_none(papers) if claims_alone else _papers(papers):
            archive.writestr(zipfile.ZipInfo(name, day), content, zipfile.ZIP_DEFLATED)
    return packed.getvalue()


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
    taken.clear()
    for record in papers.suppliers:
        yield f"supplier-{_name(record['component'], taken)}.pdf", supplier_pdf(record, papers.as_of)
    yield from _claims(papers)


def _claims_or_none(papers: Papers) -> Iterator[tuple[str, bytes]]:
    """The claim packs, or a line that there are none: an empty file looks broken."""
    yield from _claims(papers)
    if not papers.claims:
        yield "no-claims.txt", b"No work under warranty is planned, and none was done within three months.\n"


def _claims(papers: Papers) -> Iterator[tuple[str, bytes]]:
    taken: set[str] = set()
    for claim in papers.claims:
        name = _name(claim.vehicle, taken)
        yield f"claim-{name}.pdf", claim_pdf(claim, papers)
        yield f"claim-{name}.xlsx", sheets_bytes(claim.sheets)


def _name(text: str, taken: set[str]) -> str:
    """The text as part of a file's name: letters, digits, dots and dashes of any script; no two are the same."""
    plain = re.sub(r"[^\w.-]+", "_", text).strip(".")[:LONGEST_NAME] or "_"
    name, number = plain, 2
    while name.casefold() in taken:
        name, number = f"{plain}~{number}", number + 1
    taken.add(name.casefold())
    return name
