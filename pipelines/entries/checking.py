"""Whether an entry says what its kind must say; looks at the entry alone: no store, no other entry."""

import json
import unicodedata
from dataclasses import replace
from typing import Any, NoReturn

from pipelines.catalogue.tables import entry_columns
from pipelines.entries.entry import Entry, Refusal
from pipelines.entries.kinds import ANY_TEXT, Answer, answer_of, answers

FLEET = "fleet"  # subject of a note on all vehicles
LINES = "\n\t"  # control characters that a longer text may hold
LONG_TEXTS = ("value", "detail")
MOST_DETAILS = 400  # columns of a snapshot with all its corrections, four times over


def refusal_of(entry: Entry) -> Refusal | None:
    """The first reason against an entry; None: it keeps the contract as far as it can be told from it alone."""
    return _badly_written(entry) or (None if entry.only_withdraws else _breach(entry)) or _not_a_kind(entry)


def _badly_written(entry: Entry) -> Refusal | None:
    for column, limit in entry_columns().text_limits.items():
        text = getattr(entry, column, None)
        if text is None:
            continue
        if len(text) > limit:
            return Refusal(column=column, reason=f"has {len(text):,} characters, {limit:,} are taken. Shorten it")
        allowed = LINES if column in LONG_TEXTS else ""
        if odd := next((c for c in text if c not in allowed and unicodedata.category(c) in ("Cc", "Cs")), None):
            return Refusal(column=column, reason=f"holds the control character U+{ord(odd):04X}. Take it out")
    return None if entry.who else Refusal(column="who", reason="is empty")


def _not_a_kind(entry: Entry) -> Refusal | None:
    if entry.kind is None or entry.kind in answers():
        return None
    return Refusal(column="kind", reason=f"'{entry.kind[:40]}' is none of {', '.join(answers())}")


def _breach(entry: Entry) -> Refusal | None:
    """Of an entry that says something of its own."""
    if entry.kind is None:
        return Refusal(column="kind", reason=f"is missing; one of {', '.join(answers())}")
    if unknown := _not_a_kind(entry):
        return unknown
    answer = answer_of(entry.kind, entry.value)
    return _no_such_value(entry.kind, entry.value) if answer is None else _incomplete(entry, answer)


def _incomplete(entry: Entry, answer: Answer) -> Refusal | None:
    for column in ("vehicle_id", "subject", "until"):
        wanted, given = getattr(answer, column), getattr(entry, column) is not None
        if wanted == "needed" and not given:
            return Refusal(column=column, reason=f"is missing, which {_named(answer)} must have")
        if wanted == "none" and given:
            return Refusal(column=column, reason=f"is given, which {_named(answer)} does not have. Leave it empty")
    if answer.subject == "about" and (entry.subject is None) == (entry.vehicle_id is None):
        return Refusal(
            column="subject", reason=f"say '{FLEET}' or a depot here, or a vehicle in vehicle_id: one of them"
        )
    try:
        details = details_of(entry.detail)
    except ValueError as error:
        return Refusal(column="detail", reason=str(error))
    if lacking := [name for name in answer.detail if details.get(name) in (None, "")]:
        return Refusal(column="detail", reason=f"lacks {', '.join(lacking)}, which {_named(answer)} must have")
    return None


def _no_such_value(kind: str, value: str | None) -> Refusal:
    words = [word for word in answers()[kind] if word]
    if not words:
        return Refusal(column="value", reason=f"is given, which {kind} does not have. Leave it empty")
    if words == [ANY_TEXT]:
        return Refusal(column="value", reason=f"is missing, which {kind} must have")
    came = f"'{value[:40]}' is none of" if value else "is missing; one of"
    return Refusal(column="value", reason=f"{came} {', '.join(words)}")


def _named(answer: Answer) -> str:
    return f"{answer.kind} {answer.value}" if answer.value not in ("", ANY_TEXT) else answer.kind


def details_of(detail: str | None) -> dict[str, Any]:
    """The detail's names and values; without a detail none.

    Raises:
        ValueError: it is no JSON object of texts, numbers and yes or no.
    """
    if detail is None:
        return {}
    try:
        found = json.loads(detail, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"is no JSON object ({str(error)[:80]})") from error
    if not isinstance(found, dict):
        raise ValueError('is no JSON object, such as {"text": "why"}')
    if len(found) > MOST_DETAILS:
        raise ValueError(f"has {len(found)} names, {MOST_DETAILS} are taken")
    for name, value in found.items():
        if isinstance(value, dict | list):
            raise ValueError(f"'{name[:40]}' holds a {type(value).__name__}; a text, a number, true or false is taken")
    return found


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def with_detail(entry: Entry, **more: str) -> Entry:
    """The entry with names added to its detail, or replaced in it."""
    return replace(entry, detail=json.dumps({**details_of(entry.detail), **more}, ensure_ascii=False))
