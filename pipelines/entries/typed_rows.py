"""Details of entries that hold a row of a drop table -> that table's typed rows, by the checks of a drop; no file."""

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.entries.checking import details_of, with_detail
from pipelines.entries.entry import Entry, Refusal
from pipelines.entries.kinds import answer_of
from pipelines.intake.blocks import BOOKKEEPING, LOAD, ROW
from pipelines.intake.casting import Reading, cast, has_offset
from pipelines.intake.checking import Authority, Checked, check_block
from pipelines.intake.columns import match_columns


@dataclass(frozen=True, kw_only=True)
class TypedRows:
    """Rows of one drop table out of details.

    Attributes:
        checked: What became of each; `row_number` counts the entries from 0.
        extra: Names that are no column of the table, and no correction.
    """

    checked: Checked
    extra: tuple[str, ...]


def table_of(entry: Entry) -> str:
    """The drop table that the entry's detail is a row of; empty: none."""
    answer = answer_of(entry.kind or "", entry.value)
    return "" if answer is None or entry.only_withdraws else answer.table


def completed(entry: Entry, *, time_zone: str, entered_at: datetime) -> Entry:
    """The entry complete in itself: its vehicle stands beside the detail, and times in it say their offset.

    Args:
        entry: As it came.
        time_zone: Of times without an offset.
        entered_at: The time of what says none of its own: work, a note.

    Raises:
        ValueError: the detail is no JSON object, or its time is none.
    """
    details = details_of(entry.detail)
    named = details.get("vehicle_id")
    if entry.vehicle_id is None and named is not None:
        entry = replace(entry, vehicle_id=_as_text(named))
    answer = None if entry.only_withdraws else answer_of(entry.kind or "", entry.value)
    if answer is None or not answer.time:
        return entry
    came = _as_text(details.get(answer.time))
    if came is None:
        needed = answer.time in answer.detail
        return entry if needed else with_detail(entry, **{answer.time: _iso(entered_at)})
    said = _with_offset(came, time_zone)
    if said is None:
        raise ValueError(f"{answer.time}: '{came[:40]}' is no time of ISO 8601 (2031-02-14T08:30:00Z)")
    return entry if said == came else with_detail(entry, **{answer.time: said})


def typed_rows(
    vehicle_ids: list[str | None], details: list[str | None], table: str, *, authority: Authority
) -> TypedRows:
    """Rows of `table`, one an entry, those that break its contract set aside as a drop's would be.

    Args:
        vehicle_ids: Of each entry.
        details: JSON objects of each entry, whose times say their offset.
        table: `snapshots` or `work`.
        authority: Lowest and highest value a correction's module can hold, by code.
    """
    rows = [
        {**{name: _as_text(cell) for name, cell in details_of(detail).items()}, "vehicle_id": vehicle}
        for vehicle, detail in zip(vehicle_ids, details, strict=True)
    ]
    shape = drop_tables()[table]
    needed = [column.name for column in shape.columns if column.required]
    names = [name for name in dict.fromkeys([*needed, *(n for row in rows for n in row)]) if name not in BOOKKEEPING]
    cells = pl.DataFrame(
        [
            *(pl.Series(name, [row.get(name) for row in rows], dtype=pl.String) for name in names),
            pl.Series(ROW, range(len(rows)), dtype=pl.Int64),
            pl.Series(LOAD, [0] * len(rows), dtype=pl.Int32),
        ]
    )
    columns = match_columns(names, shape, authority, file="detail")
    checked = check_block(cells, shape, columns, Reading(), authority=authority)
    return TypedRows(checked=checked, extra=(*columns.extra, *columns.waiting))


def refusal_of_row(entry: Entry, typed: TypedRows) -> Refusal | None:
    """Why a drop would not have taken the row of one entry's detail; None: it would have."""
    named = details_of(entry.detail).get("vehicle_id")
    if named is not None and _as_text(named) != entry.vehicle_id:
        return Refusal(column="detail", reason=f"vehicle_id is not '{entry.vehicle_id}', as beside it. Leave it out")
    for column, reason, came in typed.checked.quarantined.select("column_name", "reason", "detail").iter_rows():
        return Refusal(column="detail", reason=f"{column}: {reason}" + (f" ({came})" if came else ""))
    return None


def remarks_on(typed: TypedRows) -> list[str]:
    """What is unusual about the values of a row that was taken, in words."""
    flags = typed.checked.flags.select("column_name", "reason", "detail").iter_rows()
    unknown = [f"detail: {name}: no column and no correction of this fleet, not looked at" for name in typed.extra]
    return [*(f"detail: {column}: {reason} ({came})" for column, reason, came in flags), *unknown]


def _as_text(cell: object) -> str | None:
    return cell if cell is None or isinstance(cell, str) else json.dumps(cell)


def _with_offset(text: str, time_zone: str) -> str | None:
    """A time without an offset as UTC; one that says its own as it is; None: it cannot be read."""
    cell = pl.Series([text], dtype=pl.String)
    read = cast(cell, "time", Reading(time_zone=time_zone))[0]
    if read is None:
        return None
    return text if has_offset(cell)[0] else _iso(read)


def _iso(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
