"""Reads what is known of a whole fleet, without holding its readings where they are many."""

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from zlib import crc32

from pipelines.errors import StoreError
from pipelines.handover import Evidence
from pipelines.held.columns import ColumnWriter
from pipelines.held.judged import Judged
from pipelines.held.readings import Readings
from pipelines.held.stage import LOADS, Withheld
from pipelines.shown import Shown
from pipelines.store.asking import KEY
from pipelines.store.evidence import Asked, evidence_of, withheld
from pipelines.store.folder import Store

MOST_HERE = 100_000_000  # readings times corrections that one process holds: 0.4 GB and its copies; judgement
BYTES = 6  # of a cell in files, circumstances beside it, at most; measured
AT_ONCE = 30_000_000  # of those that are more, that are read at a time: of the partitions of 4,000 vehicles; judgement


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """evidence: Of all vehicles, without readings where they are too many. shown: What all of these show. judged."""

    evidence: Evidence
    shown: Shown
    judged: Judged
    is_here: bool


def read_fleet(
    store: Store, *, as_of: datetime | None = None, known_at: datetime | None = None, most_here: int = MOST_HERE
) -> Fleet:
    """As `read_evidence` of all vehicles; readings beyond `most_here` cells are judged from files.

    Args:
        store: Where from.
        as_of: As there.
        known_at: As there.
        most_here: How many readings times corrections this process may hold.

    Raises:
        StoreError: as there; or there is no room for what is judged from files.
    """
    apart = list[Shown]()

    def held(asked: Asked) -> Withheld:
        if _cells(asked) <= most_here:
            return withheld(asked, asked.readings)
        with TemporaryDirectory(prefix="leeway-columns-") as scratch:
            try:
                return withheld(asked, lambda until: _by_column(asked, until, Path(scratch), apart))
            except OSError as error:
                raise StoreError(
                    f"{scratch}: the columns of the readings cannot be put there ({error.strerror}). Set TMPDIR to a "
                    f"folder with some {_cells(asked) * BYTES / 2**30:.1f} GiB free."
                ) from error

    evidence, judged = evidence_of(store, held, as_of=as_of, known_at=known_at, vehicle_ids=None, judged=None)
    shown = Shown.by(evidence.snapshots, evidence.corrections["code"].to_list())
    return Fleet(
        evidence=evidence,
        shown=Shown.together([*apart, shown]) if apart else shown,
        judged=judged,
        is_here=not apart,
    )


def _cells(asked: Asked) -> int:
    codes = {code.casefold() for code in asked.catalogue["code"]}
    tables = ("snapshots", "readings")
    stored = {name.casefold() for table in tables for name in asked.asking.columns[table]}
    return max(asked.asking.how_many(table, asked.as_of) for table in tables) * len(codes & stored)


def _by_column(asked: Asked, until: datetime | None, scratch: Path, apart: list[Shown]) -> Readings:
    """Readings whose numbers are in files; what those up to the time asked about show is put to `apart`."""
    vehicles = asked.tables["vehicles"]
    by_family = vehicles.select("engine_family", "vehicle_id").rows()
    names = [name for _, name in sorted(by_family, key=lambda row: (row[0] or "", crc32(row[1].encode())))]
    at_once = math.ceil(len(names) / math.ceil(_cells(asked) / AT_ONCE))
    folder = scratch / ("all" if until is None else "then")
    folder.mkdir()
    writer, codes = ColumnWriter(folder=folder), asked.catalogue["code"].to_list()
    for begin in range(0, len(names), at_once):
        asking = asked.asking.of(sorted(names[begin : begin + at_once]))
        some = asking.readings(asked.catalogue, until, vehicles, asked.begun).frame
        writer.add(some, [*KEY, *LOADS])
        if until is not None:
            apart.append(Shown.by(some, codes))
    frame, files = writer.done(KEY)
    return Readings(frame=frame, vehicles=vehicles, catalogue=asked.catalogue, apart=files)
