"""The front door: what it joins, what an error looks like, what the dashboard is served with."""

import subprocess
import sys

import pytest
from click.testing import CliRunner

from dashboard.command import leeway, main
from pipelines.store.folder import Store

COMMANDS = ["analyse", "backtest", "demo", "export", "load", "plan", "serve", "simulate", "store"]


def run_main(monkeypatch, capsys, *words: str) -> tuple[int, str]:
    """Exit code and standard error of the command line."""
    monkeypatch.setattr(sys, "argv", ["leeway", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    return ended.value.code or 0, capsys.readouterr().err


def test_help_names_every_command_and_where_to_begin():
    said = CliRunner().invoke(leeway, ["--help"]).output
    assert all(f"  {name} " in said for name in COMMANDS)
    assert "Begin with `leeway demo`" in said


def test_help_imports_none_of_the_computing():
    told = "import sys; from dashboard.command import leeway; leeway.main(['--help'], standalone_mode=False); "
    heavy = "print('heavy:', {'polars', 'numba', 'sklearn', 'streamlit', 'duckdb'} & set(sys.modules))"
    said = subprocess.run([sys.executable, "-c", told + heavy], capture_output=True, text=True, check=True).stdout
    assert said.endswith("heavy: set()\n")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_its_options(name):
    result = CliRunner().invoke(leeway, [name, "--help"])
    assert result.exit_code == 0
    assert "Usage:" in result.output
    assert len(result.output) > 200


@pytest.mark.parametrize(
    "words",
    [
        ["analyse", "--store", "STORE"],
        ["frobnicate"],
        ["serve", "--port", "0"],
        ["serve", "--address", ""],
        ["demo", "--address", "::"],
    ],
)
def test_an_error_is_one_line_that_says_what_to_do(monkeypatch, capsys, tmp_path, words):
    code, error = run_main(monkeypatch, capsys, *(str(tmp_path) if word == "STORE" else word for word in words))
    assert code == 2
    assert error.startswith("leeway: ")
    assert error.count("\n") == 1


def test_a_fault_of_the_program_is_one_line_too(monkeypatch, capsys):
    def fails(**_):
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(leeway, "main", fails)
    code, error = run_main(monkeypatch, capsys, "analyse")
    assert code == 2
    assert error == (
        "leeway: ZeroDivisionError: division by zero. This is a fault of the program; --debug shows where.\n"
    )
    with pytest.raises(ZeroDivisionError):
        run_main(monkeypatch, capsys, "analyse", "--debug")


def test_with_debug_the_error_itself_comes_through(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "argv", ["leeway", "analyse", "--debug", "--store", str(tmp_path)])
    with pytest.raises(Exception, match="no store here"):
        main()


def test_the_demo_never_touches_a_store_that_is_there(known_store):
    version = Store(known_store).version()
    result = CliRunner().invoke(leeway, ["demo", "--store", str(known_store), "--no-serve"])
    assert result.exit_code == 0
    assert "shown as it is" in result.output
    assert Store(known_store).version() == version
