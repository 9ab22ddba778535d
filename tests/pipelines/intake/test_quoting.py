"""A quote that is never closed costs its own line; cells that really go over lines stay whole."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.intake.blocks import OPEN_QUOTE
from pipelines.intake.load import load
from pipelines.intake.quoting import Quoting, records
from pipelines.store.published import quarantined

HOW = Quoting(separator=",", width=3, longest=65_536)


def rows(*lines: str) -> list[tuple[list[str], int | None]]:
    return list(records(lines, HOW))


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (["a,b,c"], [(["a", "b", "c"], None)]),
        (['a,"b, ""x""",c\r'], [(["a", 'b, "x"', "c"], None)]),
        (['a,5" pipe,c'], [(["a", '5" pipe', "c"], None)]),
        (["a,b"], [(["a", "b"], None)]),
        (['a,b,"two', 'lines"'], [(["a", "b", "two\nlines"], None)]),
        (['"a', 'b",c,d'], [(["a\nb", "c", "d"], None)]),
        (['a,b,"one', "two", 'three"', "d,e,f"], [(["a", "b", "one\ntwo\nthree"], None), (["d", "e", "f"], None)]),
        (['a,b,"c', "d,e,f", "g,h,i"],
         [(["a", "b", '"c'], OPEN_QUOTE), (["d", "e", "f"], None), (["g", "h", "i"], None)]),
        (['a,b,"c', "d,e,f", 'g,h,i"', "j,k,l"],
         [(["a", "b", '"c'], OPEN_QUOTE), (["d", "e", "f"], None), (["g", "h", 'i"'], None), (["j", "k", "l"], None)]),
        (['a,"b,c', 'd,e,"f, f"', "g,h,i"],
         [(["a", '"b', "c"], OPEN_QUOTE), (["d", "e", "f, f"], None), (["g", "h", "i"], None)]),
    ],
)  # fmt: skip
def test_lines_become_records(lines, expected):
    assert rows(*lines) == expected


@given(st.lists(st.text(alphabet='ab,"\r', max_size=9), max_size=12))
def test_every_line_is_in_one_record(lines):
    found = rows(*lines)
    assert sum(1 + sum(cell.count("\n") for cell in cells) for cells, _ in found) == len(lines)


@pytest.mark.parametrize("many", [30, 6_000])
def test_rows_behind_stray_quotes_load_and_every_row_is_counted(store, tmp_path, many):
    lines = [f"v{n},2031-01-{1 + n % 28:02d}T08:00:00Z,P{n % 9999:04d}" for n in range(many)]
    lines[3] = lines[3].replace(",2031", ',"2031')
    lines[many // 2] += '"'
    lines[many - 5] = f'"{lines[many - 5]}'
    (tmp_path / "faults.csv").write_text("\n".join(["vehicle_id,read_at,code", *lines]) + "\n")
    (file,) = load(store, [tmp_path / "faults.csv"]).files
    assert (file.loaded, file.quarantined) == (many - 3, 3)
    assert quarantined(store).select("row_number", "reason").rows() == [
        (5, "a quote that opens in the row is never closed"),
        (many // 2 + 2, "not a fault code of the shape of SAE J2012"),
        (many - 3, "a quote that opens in the row is never closed"),
    ]
