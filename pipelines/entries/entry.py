"""One entry as a person hands it over, and why one is refused."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, kw_only=True)
class Entry:
    """What a person enters, before the record gives it an entry_id and a time; None: not given.

    Attributes:
        kind: One of the kinds; None only where it withdraws another entry, whose kind it then has.
        who: Key of the person.
        vehicle_id, subject, value, until: As the kind says.
        detail: A JSON object, as text.
        withdraws: entry_id of an entry that no longer counts.
        client_key: Key of the one who enters, under which an entry is taken once.
    """

    kind: str | None
    who: str
    vehicle_id: str | None = None
    subject: str | None = None
    value: str | None = None
    until: date | None = None
    detail: str | None = None
    withdraws: str | None = None
    client_key: str | None = None

    @property
    def only_withdraws(self) -> bool:
        """Whether it says nothing but that another entry no longer counts."""
        return self.withdraws is not None and self.value is None and self.detail is None


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why an entry was not taken: the column, and the reason in words that say what would be."""

    column: str
    reason: str

    def __str__(self) -> str:
        """`column: reason`."""
        return f"{self.column}: {self.reason}" if self.column else self.reason
