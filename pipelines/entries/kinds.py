"""What each kind of entry must say, as data; one record a kind and value, no entry here."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

ANY_TEXT = "*"  # a kind's only value: any text


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One kind with one of its values.

    Attributes:
        kind: Such as `visit`.
        value: Such as `done`; `*`: any text, which is needed; empty: the kind has no value.
        vehicle_id, subject, until: `needed`, `may` (may be given), `none`, or `about` (exactly one of the two).
        detail: Names that the detail must hold.
        time: The name in the detail that holds a time; where it may be left out: when it was entered. Empty: none.
        table: The drop table whose columns the detail holds; empty: none.
        subject_in: The published table and its column that hold the subjects; empty: none does.
        meaning: In words.
    """

    kind: str
    value: str
    vehicle_id: str
    subject: str
    until: str
    detail: tuple[str, ...]
    time: str
    table: str
    subject_in: str
    meaning: str


@cache
def answers() -> dict[str, dict[str, Answer]]:
    """All answers: kind -> value -> what it must say."""
    found: dict[str, dict[str, Answer]] = {}
    with files("pipelines.entries").joinpath("kinds.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            answer = Answer(**{**row, "detail": tuple(row["detail"].split())})  # type: ignore[arg-type]
            found.setdefault(answer.kind, {})[answer.value] = answer
    return found


def answer_of(kind: str, value: str | None) -> Answer | None:
    """What an entry of this kind and value must say; None: there is no such kind, or no such value of it."""
    of_kind = answers().get(kind, {})
    return of_kind.get(ANY_TEXT if ANY_TEXT in of_kind and value else value or "")
