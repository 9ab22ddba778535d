"""A table for paper: every row and column as plain HTML that does not scroll; frames in, text out."""

import re
from collections.abc import Mapping
from datetime import date, datetime
from html import escape
from typing import Any

import polars as pl

from dashboard.views.wording import Reader, number
from pipelines.visible import visible

GENERAL = re.compile(r"%(?:\.(\d+))?g(.*)$")
MOST_CELLS = 4000  # of a table that is laid ready on a page, for whoever prints it: some eight sheets (judgement)


def fits(rows: pl.DataFrame) -> bool:
    """Whether a table is small enough to lie ready for the printer on the page itself."""
    return rows.height * rows.width <= MOST_CELLS


def paper_table(rows: pl.DataFrame, columns: Mapping[str, Any], reader: Reader, *, caption: str) -> str:
    """The table with all its rows.

    Args:
        rows: As the page shows them.
        columns: How they are shown, by name: `label` and `type_config` of a column of the page.
        reader: Whose dates.
        caption: What the table shows.
    """
    shown = {name: columns.get(name) or {} for name in rows.columns if not (columns.get(name) or {}).get("hidden")}
    head = "".join(f"<th scope='col'>{escape(how.get('label') or _words(name))}</th>" for name, how in shown.items())
    cells = [[_cell(value, how, reader) for value in rows.get_column(name).to_list()] for name, how in shown.items()]
    lines = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in line)}</tr>" for line in zip(*cells, strict=True))
    return (
        f"<table class='paper'><caption>{escape(caption)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"
    )


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _cell(value: Any, how: Mapping[str, Any], reader: Reader) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, datetime):
        return escape(reader.day(value, short=True))
    if isinstance(value, date):
        return escape(reader.day(value, short=True))
    if isinstance(value, int | float):
        return escape(_figure(float(value), (how.get("type_config") or {}).get("format")))
    return escape(visible(str(value)))


def _figure(value: float, written: str | None) -> str:
    """A figure by the pattern of its column, which is that of C but for exponents; without one to four figures."""
    if general := GENERAL.match(written or ""):
        return number(value, figures=int(general[1] or 4)) + general[2].replace("%%", "%")
    if written and "%" in written and "," not in written:
        return written % value
    return number(value, figures=4)
