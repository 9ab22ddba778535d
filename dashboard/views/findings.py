"""Work on findings: entries in, where each stands in words out; and what is typed into its form."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC

import polars as pl

from dashboard.views.notes import FLEET, LONGEST_NAME
from dashboard.views.wording import Reader
from pipelines.entries.entry import Entry
from pipelines.entries.standing import newest_of_each

ANSWERS = {"assign": "Assign it to", "note": "Note on it", "close": "Close it"}


@dataclass(frozen=True, kw_only=True)
class FindingAnswer:
    """What is typed about a finding.

    Attributes:
        issue_id: Which.
        depot: The depot that it is about; empty: another matter.
        value: A key of ANSWERS.
        to: Who is to look after it, of `assign`.
        text: The note, or why it is closed.
        name: Of the one who writes.
        client_key: Under which it is entered once, however often it is sent.
        reader: Whose time it is.
    """

    issue_id: str
    depot: str
    value: str
    to: str
    text: str
    name: str
    client_key: str
    reader: Reader

    @property
    def problem(self) -> str:
        """What is still to be typed; empty: nothing."""
        if self.value == "assign" and not self.to.strip():
            return "Say who is to look after it."
        if self.value != "assign" and not self.text.strip():
            return "The note is empty: say what was found." if self.value == "note" else "Say why it can be closed."
        if not self.name.strip():
            return "Say who writes: pick your name, or type it."
        return "" if len(self.name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."

    def entry(self, who: str) -> Entry:
        """The entry that it becomes; a note on a finding is one on its depot, or on the fleet, that names it."""
        if self.value == "note":
            at = self.reader.as_of.astimezone(UTC).isoformat().replace("+00:00", "Z")
            return Entry(
                kind="note", who=who, subject=self.depot or FLEET, value=self.text.strip(),
                detail=json.dumps({"at": at, "finding": self.issue_id}), client_key=self.client_key,
            )  # fmt: skip
        told = {"to": self.to.strip()} if self.value == "assign" else {}
        said = self.text.strip()
        return Entry(
            kind="finding",
            who=who,
            subject=self.issue_id,
            value=self.value,
            detail=json.dumps({**told, **({"text": said} if said else {})}, ensure_ascii=False),
            client_key=self.client_key,
        )


def work_on(entries: pl.DataFrame, people: Mapping[str, str], reader: Reader) -> dict[str, str]:
    """Where each finding stands that people worked on, by issue_id: its newest entry in words, then its notes.

    Args:
        entries: Those that count.
        people: Names by key.
        reader: Whose days they are.
    """
    newest = newest_of_each(entries.filter(pl.col("kind") == "finding"), "subject")
    said = {row["subject"]: _sentence(row, people, reader) for row in newest.iter_rows(named=True)}
    notes = entries.filter(pl.col("kind") == "note").with_columns(
        finding=pl.col("detail").str.json_path_match("$.finding")
    )
    for row in notes.drop_nulls("finding").sort("entry_id").iter_rows(named=True):
        noted = f"{people.get(row['who'], row['who'])} on {reader.day(row['entered_at'])}: {row['value']}"
        said[row["finding"]] = f"{said[row['finding']]} {noted}" if row["finding"] in said else noted
    return said


def closed_ids(entries: pl.DataFrame) -> set[str]:
    """Findings whose newest entry closes them."""
    newest = newest_of_each(entries.filter(pl.col("kind") == "finding"), "subject")
    return set(newest.filter(pl.col("value") == "close")["subject"].to_list())


def _sentence(row: Mapping[str, str], people: Mapping[str, str], reader: Reader) -> str:
    detail = json.loads(row["detail"] or "{}")
    who, day = people.get(row["who"], row["who"]), reader.day(row["entered_at"])  # type: ignore[arg-type]
    text = f" {detail['text']}" if detail.get("text") else ""
    if row["value"] == "assign":
        return f"Assigned to {detail.get('to', '')} by {who} on {day}.{text}"
    return (
        f"Closed by {who} on {day}:{text}. It leaves the list with the next analysis, and is back only if it goes on."
    )
