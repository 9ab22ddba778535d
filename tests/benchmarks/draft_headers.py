"""Drafts over files with headers in many languages: columns right, wrong, asked, left.

    python tests/benchmarks/draft_headers.py [SETS.toml] [--verbose]    (header_sets_later.toml: twelve more)

Right: becomes what it is, and its first cell the value that it should. Wrong: becomes anything else. Asked: it does
not, and a question of the draft would bring it. Left: nothing is made of it, and nothing asked.
"""

import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path

import polars as pl

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.errors import LeewayError
from pipelines.intake.casting import Reading, cast
from pipelines.intake.draft import Draft, draft_mapping, preview_mapping

HERE = Path(__file__).parent
ANY = "?"


def judged(entry: dict, folder: Path) -> tuple[Counter[str], list[str]]:
    """Columns of one file by what became of them, and a line for each that is not right."""
    path = folder / entry["file"]
    path.write_text(entry["text"].strip() + "\n", encoding="utf-8")
    draft = draft_mapping(path, built_in_corrections())
    made = {name: column for column in draft.mapping.columns for name in (column.source, *column.also)}
    asked = {question.key for question in draft.questions}
    values = _first_row(path, draft)
    counts: Counter[str] = Counter()
    told = []
    for name, truth in entry["truth"].items():
        column = made.get(name)
        verdict = _verdict(name, truth, column.to if column else "", asked, draft)
        if verdict == "right" and not draft.mapping.aggregates and truth in entry["first"]:
            verdict = "right" if _same(values.get(column.to), entry["first"][truth]) else "wrong"
            verdict = "asked" if verdict == "wrong" and _open(name, truth, asked) else verdict
        counts[verdict] += 1
        if verdict != "right":
            told.append(
                f"{verdict}: {name} is {truth}, became {column.to if column else 'nothing'} {values.get(truth)}"
            )
    for name, column in made.items():
        if name not in entry["truth"] and not draft.mapping.long:
            counts["wrong"] += 1
            told.append(f"wrong: {name} is nothing, became {column.to}")
    return counts, told


def _verdict(name: str, truth: str, to: str, asked: set[str], draft: Draft) -> str:
    if truth in (ANY, to) or to.startswith((f"{truth}_", truth.replace("stft_", "stft_rest_"))):
        return "right"
    long = draft.mapping.long
    if long and name in (long.name, long.value):
        return "right"
    return "wrong" if to else ("asked" if _open(name, truth, asked) else "left")


def _open(name: str, truth: str, asked: set[str]) -> bool:
    return (
        truth in asked
        or f"unit of {name}" in asked
        or ("fractions" in asked and "tft" in truth)
        or (truth == "read_at" and "day_first" in asked)
    )


def _first_row(path: Path, draft: Draft) -> dict[str, object]:
    try:
        rows = preview_mapping(path, draft.mapping, built_in_corrections()).rows
    except LeewayError as error:
        return {"error": str(error)}
    kinds = {"read_at": "time", "lamp_on": "bool"}
    typed = [cast(rows[name], kind, Reading()).cast(pl.String) for name, kind in kinds.items() if name in rows.columns]
    return rows.with_columns(typed).row(0, named=True) if rows.height else {}


def _same(found: object, wanted: object) -> bool:
    if isinstance(wanted, int | float) and not isinstance(wanted, bool):
        number = pl.Series([found]).cast(pl.Float64, strict=False)[0]
        return number is not None and abs(number - wanted) < 1e-6 * max(1.0, abs(wanted))
    return str(found).replace(" ", "T").startswith(str(wanted).replace(" ", "T"))


def main() -> None:
    """Print the counts, and with `--verbose` what is not right."""
    names = [name for name in sys.argv[1:] if not name.startswith("-")]
    sets = tomllib.loads(Path(names[0] if names else HERE / "header_sets.toml").read_text(encoding="utf-8"))["set"]
    total: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for entry in sets:
            counts, told = judged(entry, Path(folder))
            total += counts
            if "--verbose" in sys.argv:
                print(entry["name"], dict(counts), *told, sep="\n  ")
    print(f"{len(sets)} files, {sum(total.values())} columns: {dict(total)}")


if __name__ == "__main__":
    main()
