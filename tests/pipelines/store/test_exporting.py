"""What a spreadsheet makes of text from data: text."""

import io
import re
import zipfile
from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.store.exporting import NUMBER, csv_bytes, protected, workbook_bytes

NASTY = [
    "=1+1", "+1+1", "-2+3",
    "@SUM(A1)", "|cmd", "%x", "\t=1", "\r=1", "  =1", "\uff1d1+1", "\uff0b1", "\uff0d1", "\uff20x",
    '=HYPERLINK("http://evil.example","x")', "http://evil.example/a", "\\\\server\\share\\x", "mailto:a@b.example",
    "internal:'Sheet1'!A1", "external:c:\\x.xlsx", "\x1b[31mred", "a\u202eb", "www.evil.example",
]  # fmt: skip
RUNS = r"\s*([=+\-@\t\r\uff1d\uff0b\uff0d\uff20]\s*\S|[|%]\S)"  # how text begins that a spreadsheet may run


def parts_of(workbook: bytes) -> dict[str, str]:
    """Every part of an XLSX file, as text."""
    with zipfile.ZipFile(io.BytesIO(workbook)) as book:
        return {name: book.read(name).decode() for name in book.namelist()}


def test_a_workbook_holds_no_link_and_no_formula_whatever_its_text_is():
    frame = pl.DataFrame({text: [text, None] for text in NASTY})
    parts = parts_of(workbook_bytes(frame))
    sheet = parts["xl/worksheets/sheet1.xml"]
    assert "<f>" not in sheet
    assert not re.search("hyperlink", sheet, re.IGNORECASE)
    assert not [name for name, part in parts.items() if "relationships/hyperlink" in part]
    read = pl.read_excel(io.BytesIO(workbook_bytes(frame)))
    assert read.row(0) == tuple(text.replace("\x1b", r"\x1b").replace("\u202e", r"\u202e") for text in NASTY)


def test_times_with_a_zone_and_numbers_that_are_none_are_written():
    at = datetime(2031, 2, 14, 8, 30, tzinfo=UTC)
    read = pl.read_excel(io.BytesIO(workbook_bytes(pl.DataFrame({"at": [at], "value": [float("nan")], "n": [3]}))))
    assert read["at"].to_list() == [at.replace(tzinfo=None)]
    assert read["value"].to_list() == [None]
    assert read["n"].to_list() == [3]


@pytest.mark.parametrize("text", [text for text in NASTY if re.match(RUNS, text)])
def test_in_csv_a_formula_is_held_back_in_a_cell_and_in_a_header(text):
    frame = protected(pl.DataFrame({text: [text]}))
    assert frame.columns[0].startswith("'")
    assert frame.item() == f"'{text}"


@pytest.mark.parametrize(
    "text",
    ["-1.5", "+3", "-3,5", "-0.95 %", "1e-4", "V1", "WC-104", "P0171", "", "3 % more", "%", "% of load", "-", "'=1"],
)
def test_numbers_and_ordinary_text_stay_as_they_are(text):
    assert protected(pl.DataFrame({"name": [text]})).item() == text


def test_two_headers_never_become_one():
    frame = protected(pl.DataFrame({"=a": [1], "'=a": [2], "a\x1b": [3], "a\\x1b": [4]}))
    assert len(set(frame.columns)) == 4
    assert frame.columns[1] == "'=a"
    assert frame.row(0) == (1, 2, 3, 4)


@given(
    names=st.lists(st.text(st.characters(codec="utf-8"), min_size=1, max_size=6), min_size=1, max_size=4, unique=True),
    text=st.text(st.characters(codec="utf-8"), max_size=12),
)
def test_no_cell_and_no_header_begins_as_a_formula_does(names, text):
    frame = protected(pl.DataFrame({name: [text] for name in names}))
    for cell in (*frame.columns, *frame.row(0)):
        assert not re.match(RUNS, cell) or re.fullmatch(NUMBER, cell)
        assert "\x1b" not in cell
    assert csv_bytes(pl.DataFrame({name: [text] for name in names})).count(b"\x1b") == 0
