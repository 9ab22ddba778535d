"""What text from data may do to a terminal: nothing."""

import unicodedata

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from dashboard.command import leeway
from pipelines.terminal import say
from pipelines.visible import visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Größe 3 °C, ≤ 5 % \N{EN DASH} \N{NO-BREAK SPACE}ş ☐ नमस्ते 👩\u200d🔧", None),
        ("a\x1b[2Jb", r"a\x1b[2Jb"),
        ("\x1b]8;;http://evil.example\x07here\x1b]8;;\x07", r"\x1b]8;;http://evil.example\x07here\x1b]8;;\x07"),
        ("one\r\ntwo\tthree", r"one\r\ntwo\tthree"),
        ("\x9b31m", r"\x9b31m"),
        ("V\u202e12\u202c", r"V\u202e12\u202c"),
        ("a\u2028b\ufeff\U000e0041", r"a\u2028b\ufeff\U000e0041"),
        ("snapshots-\udce9.csv", r"snapshots-\udce9.csv"),
    ],
)
def test_what_steers_is_written_out_and_all_else_stays(text, shown):
    assert visible(text) == (text if shown is None else shown)


@given(text=st.text())
def test_no_text_steers(text):
    shown = visible(text)
    assert not [letter for letter in shown if unicodedata.category(letter) in {"Cc", "Cs", "Zl", "Zp"}]
    assert not [letter for letter in shown if unicodedata.bidirectional(letter) in {"LRO", "RLO", "LRE", "RLE", "PDF"}]
    assert visible(shown) == shown


def test_a_line_is_a_line_on_a_terminal(capsys):
    say("first\nsecond", "third")
    say("\x1b[31mtold", err=True)
    told = capsys.readouterr()
    assert told.out == "first\\nsecond\nthird\n"
    assert told.err == "\\x1b[31mtold\n"


def test_a_file_names_itself_without_steering_the_terminal(tmp_path):
    drop = tmp_path / "drop\x1b[2J"
    drop.mkdir()
    (drop / "vehicles-\x1b[31m\u202e.csv").write_text("vehicle_id,engine_family,\x1b[1m\nV1,\x1b[5malder,x\n")
    (drop / "snapshots-\x1b]0;x\x07.csv").write_text("vehicle_id,read_at,battery_v\nV1,\x1b[41mnow,12.6\n")
    result = CliRunner().invoke(leeway, ["load", str(drop), "--store", str(tmp_path / "store")])
    assert result.exit_code in {2, 3}
    assert not {"\x1b", "\u202e", "\x07"} & set(result.output)
    assert "vehicles-\\x1b[31m\\u202e.csv: its name cannot be printed" in result.output


def test_a_cell_does_not_steer_the_terminal_that_is_told_of_it(tmp_path):
    file = tmp_path / "snapshots.csv"
    file.write_text("vehicle_id,read_at,battery_v\nV1,\x1b[41mnow,12.6\n")
    result = CliRunner().invoke(leeway, ["load", str(file), "--store", str(tmp_path / "store")])
    assert result.exit_code == 3
    assert "\x1b" not in result.output
    assert "\\x1b[41mnow" in result.output
