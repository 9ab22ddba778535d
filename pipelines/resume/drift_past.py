"""Whether two runs of drift rest on the same past: numbers that tell panels and terms apart; no file is written."""

import numba
import numpy as np

from pipelines.digests import add_column, digest, mixed, word
from pipelines.drift.directions import Patterns
from pipelines.handover import Bools, Float64s, Int64s, Panel

LIMITS = ("low_limit", "high_limit", "neutral", "resolution", "can_fault_low", "can_fault_high")


def terms_digest(panel: Panel, learn_hours: Float64s, moving: Patterns, false_alarms_per_vehicle_year: float) -> str:
    """Of what catalogue, knowledge and settings say of a family's corrections."""
    terms = [getattr(panel, name) for name in LIMITS]
    known = (learn_hours, moving.share, moving.usual, moving.even)
    numbers = [np.asarray(term, dtype=np.float64).tobytes() for term in (*terms, *known)]
    return digest(*(code.encode() for code in panel.codes), *numbers, repr(false_alarms_per_vehicle_year).encode())


def row_digests(panel: Panel, settled: Bools, first: Int64s, last: Int64s) -> tuple[np.ndarray, np.ndarray]:
    """[V], [V] numbers for each vehicle's rows from `first` to `last`; those of two stretches add up to the whole's.

    The first is of all that moves what others should read, too; the second of the hours, which do so only by when a
    series has settled, and of work.

    Args:
        panel: The family's, whole.
        settled: [C, R] False while relearning.
        first: [V].
        last: [V].
    """
    names = [
        np.array([word(name.encode()) for name in words], dtype=np.uint64)
        for words in (panel.depots, panel.duties, panel.calibrations)
    ]
    groups = (name[index] for name, index in zip(names, (panel.depot, panel.duty, panel.calibration), strict=True))
    columns = (panel.read_at.astype(np.int64), panel.km, *groups, _coded(panel))
    shared = np.zeros(len(first), dtype=np.uint64)
    own = np.zeros(len(first), dtype=np.uint64)
    start = panel.row_start[:-1]
    for place, column in enumerate(columns):
        add_column(column, place, start, first, last, shared)
    add_column(panel.hours, 0, start, first, last, own)
    add_column(_worked(panel), 1, start, first, last, own)
    values, epoch = np.ascontiguousarray(panel.values.T), np.ascontiguousarray(panel.epoch.T)
    _add_readings(values.view(np.uint32), epoch.view(np.uint32), settled, start, first, last, shared)
    return shared, own


def _coded(panel: Panel) -> np.ndarray:
    """[R] a number for the corrections of which codes speak at each row."""
    speaking = np.zeros(len(panel.read_at), dtype=np.uint64)
    for code, stretches in panel.coded.items():
        of_code = np.zeros(len(speaking), dtype=np.bool_)
        for first, last in stretches:
            of_code[first:last] = True
        speaking[of_code] ^= np.uint64(word(code.encode()))
    return speaking


def _worked(panel: Panel) -> np.ndarray:
    """[R] a number for the corrections that were worked on before each row."""
    worked = np.zeros(len(panel.read_at), dtype=np.uint64)
    for code, rows in panel.worked.items():
        worked[rows] ^= np.uint64(word(code.encode()))
    return worked


@numba.njit(cache=True, nogil=True)
def _add_readings(values, epoch, settled, start, first, last, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for c in range(len(values)):
        for v in range(len(first)):
            added = np.uint64(0)
            for r in range(first[v], last[v]):
                word = (np.uint64(epoch[c, r]) << np.uint64(33)) | (np.uint64(settled[c, r]) << np.uint64(32))
                place = (np.uint64(r - start[v]) << np.uint64(20)) | np.uint64(c + 16)
                added += mixed(word | np.uint64(values[c, r]), place)
            total[v] += added
