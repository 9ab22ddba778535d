"""Whatever a drop holds, loading it keeps the promise that `tests/benchmarks/bad_inputs.py` states.

For about as many seconds as LEEWAY_BAD_INPUTS_SECONDS says (8), from recipe LEEWAY_BAD_INPUTS_FIRST (0) on; an hour by
hand: LEEWAY_BAD_INPUTS_SECONDS=3600 LEEWAY_BAD_INPUTS_FIRST=1000000 pytest tests/pipelines/intake/test_bad_inputs.py
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from bad_inputs import FILES_A_DROP, GOOD_SNAPSHOTS, GOOD_VEHICLES, Trials, drawn, tried
from spoilt_files import BYTE_WAYS, CELL_WAYS, COLUMNS, ENDINGS, Recipe, parsed

SECONDS = float(os.environ.get("LEEWAY_BAD_INPUTS_SECONDS", "8"))
FIRST = int(os.environ.get("LEEWAY_BAD_INPUTS_FIRST", "0"))
PAST = [
    "parquet/faults/types/10200",
    "parquet/vehicles/types/1000501",
    "xlsx/work/odd_header/1000927",
]  # recipes that broke the promise once


def test_recipes_give_the_same_file_again_and_cover_every_form_table_and_way():
    recipes = [drawn(number) for number in range(600)]
    assert all(parsed(str(recipe)) == recipe for recipe in recipes)
    assert recipes[7].content() == drawn(7).content()
    assert {recipe.form for recipe in recipes} == set(ENDINGS)
    assert {recipe.table for recipe in recipes} == set(COLUMNS)
    assert {recipe.way for recipe in recipes} == {*CELL_WAYS, *BYTE_WAYS, "types"}


def test_what_broke_the_promise_once_keeps_it(tmp_path):
    recipes = [parsed(line) for line in PAST]
    with Trials(tmp_path) as trials:
        for start in range(0, len(recipes), FILES_A_DROP):
            outcomes = trials.of_recipes(recipes[start : start + FILES_A_DROP])
            assert [(str(each.recipe), each.breaches) for each in outcomes if each.breaches] == []


def test_spoilt_files_keep_the_promise(tmp_path):
    broken = [
        (str(each.recipe), each.breaches) for each in tried(tmp_path, seconds=SECONDS, first=FIRST) if each.breaches
    ]
    assert broken == []


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_the_command_itself_says_no_more_and_no_less(tmp_path, form):
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "vehicles.csv").write_text(GOOD_VEHICLES)
    (drop / "snapshots.csv").write_text(GOOD_SNAPSHOTS)
    recipe = Recipe(form=form, table="faults", way="cut", number=3)
    (drop / f"faults.{recipe.ending}").write_bytes(recipe.content())
    (tmp_path / "temporary").mkdir()
    command = [sys.executable, "-c", "from dashboard.command import main; main()", "load"]
    run = subprocess.run(
        [*command, drop, "--store", tmp_path / "store"], check=False, capture_output=True, text=True,
        env=os.environ | {"TMPDIR": str(tmp_path / "temporary")},
    )  # fmt: skip
    assert run.returncode == 3
    assert run.stderr == ""
    assert "snapshots.csv: 2 rows: 2 loaded" in run.stdout
    assert list((tmp_path / "temporary").iterdir()) == []
