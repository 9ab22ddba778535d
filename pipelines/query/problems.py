"""What is wrong with a query, in one line that names it; DuckDB's errors in, words out."""

import re
from difflib import get_close_matches

import duckdb

from pipelines.catalogue.tables import published_tables
from pipelines.query.tables import described
from pipelines.visible import visible

MEMORY = "It needs more memory than a query may have. Ask for fewer rows or columns, or for sums of them."
FENCED = "Queries read the tables listed here: no file, no network, no setting."
KINDS = "Table|Table Function|Scalar Function|Function|View|Schema|Catalog"
NOT_THERE = re.compile(rf'({KINDS}) with name "?(.+?)"? does not exist', re.IGNORECASE)
WHERE = re.compile(r"^LINE (\d+):", re.MULTILINE)
CANDIDATES = re.compile(
    r"(?:Candidate bindings|Did you mean|Candidate functions)[^:\"]*:?\s*(.+)", re.IGNORECASE | re.DOTALL
)
QUOTED = re.compile(r'"([^"]+)"')


def in_a_line(error: duckdb.Error, sql: str) -> str:
    """One line that says what is wrong and, where it is known, in which line of the query and what may be meant."""
    if isinstance(error, duckdb.PermissionException):
        return FENCED
    text = str(error)
    first = text.split("\n", 1)[0]
    what = first.split("Error: ", 1)[-1].strip()
    if absent := NOT_THERE.match(what):
        return _absent(absent[1].casefold(), absent[2], text, sql)
    near = _candidates(text)
    said = visible(re.sub(r"[!.]?\s*$", "", what))
    return f"{said[0].upper()}{said[1:]}{_line(text, sql)}.{f' Near it: {near}.' if near else ''}" if said else FENCED


def _absent(kind: str, name: str, text: str, sql: str) -> str:
    if kind == "table":
        near = ", ".join(get_close_matches(name.casefold(), sorted(described()), n=3)) or ", ".join(
            (*published_tables(), "vehicles")
        )
        return f"There is no table {visible(name)} here{_line(text, sql)}. Near it: {near}."
    near = _candidates(text)
    return f"There is no {kind} {visible(name)}{_line(text, sql)}.{f' Near it: {near}.' if near else ''}"


def _line(text: str, sql: str) -> str:
    """Where, in a query of several lines."""
    found = WHERE.search(text)
    return f" (line {found[1]})" if found and "\n" in sql.strip() else ""


def _candidates(text: str) -> str:
    found = CANDIDATES.search(text)
    return ", ".join(QUOTED.findall(found[1])[:4]) if found else ""
