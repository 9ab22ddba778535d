"""Whether two analyses rest on the same past: numbers that tell panels and computing code apart; no file is written."""

import hashlib
from importlib.metadata import version
from importlib.resources import files

import numba
import numpy as np

from pipelines.handover import Bools, Float64s, Int64s, Panel

LIMITS = ("low_limit", "high_limit", "neutral", "resolution", "can_fault_low", "can_fault_high")


def code_digest() -> str:
    """Of the code that computes bands and drift, and of the libraries that it runs on."""
    modules = [file for stage in ("bands", "drift") for file in files(f"pipelines.{stage}").iterdir()]
    modules.append(files("pipelines").joinpath("blocks.py"))
    texts = [file.read_bytes() for file in sorted(modules, key=str) if file.name.endswith(".py")]
    return digest(*texts, *(version(library).encode() for library in ("numba", "numpy")))


def terms_digest(panel: Panel, learn_hours: Float64s, false_alarms_per_vehicle_year: float) -> str:
    """Of what catalogue and settings say of a family's corrections."""
    terms = [getattr(panel, name) for name in LIMITS]
    numbers = [np.asarray(term, dtype=np.float64).tobytes() for term in (*terms, learn_hours)]
    return digest(*(code.encode() for code in panel.codes), *numbers, repr(false_alarms_per_vehicle_year).encode())


def digest(*parts: bytes) -> str:
    """Of some bytes, in their order."""
    found = hashlib.blake2b(digest_size=16)
    for part in parts:
        found.update(len(part).to_bytes(8, "little") + part)
    return found.hexdigest()


def row_digests(panel: Panel, settled: Bools, first: Int64s, last: Int64s) -> tuple[np.ndarray, np.ndarray]:
    """[V], [V] numbers for each vehicle's rows from `first` to `last`; those of two stretches add up to the whole's.

    The first is of all that moves what others should read, too; the second of the hours, which do so only by when a
    series has settled.

    Args:
        panel: The family's, whole.
        settled: [C, R] False while relearning.
        first: [V].
        last: [V].
    """
    names = [
        np.array([int(digest(name.encode())[:16], 16) for name in words], dtype=np.uint64)
        for words in (panel.depots, panel.calibrations)
    ]
    columns = (panel.read_at.astype(np.int64), panel.km, names[0][panel.depot], names[1][panel.calibration])
    shared = np.zeros(len(first), dtype=np.uint64)
    own = np.zeros(len(first), dtype=np.uint64)
    start = panel.row_start[:-1]
    for place, column in enumerate(columns):
        _add_words(column.view(np.uint64), start, first, last, np.uint64(place), shared)
    _add_words(panel.hours.view(np.uint64), start, first, last, np.uint64(0), own)
    values, epoch = np.ascontiguousarray(panel.values.T), np.ascontiguousarray(panel.epoch.T)
    _add_readings(values.view(np.uint32), epoch.view(np.uint32), settled, start, first, last, shared)
    return shared, own


@numba.njit(cache=True, nogil=True)
def _mixed(word, place):  # type: ignore[no-untyped-def]
    """A word and its place scrambled (the finaliser of Steele, Lea and Flood 2014, SplitMix)."""
    z = word ^ (place * np.uint64(0x9E3779B97F4A7C15))
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@numba.njit(cache=True, nogil=True)
def _add_words(words, start, first, last, column, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for v in range(len(first)):
        for r in range(first[v], last[v]):
            place = (np.uint64(r - start[v]) << np.uint64(20)) | column
            total[v] += _mixed(_mixed(words[r], np.uint64(1)), place)


@numba.njit(cache=True, nogil=True)
def _add_readings(values, epoch, settled, start, first, last, total):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    for c in range(len(values)):
        for v in range(len(first)):
            added = np.uint64(0)
            for r in range(first[v], last[v]):
                word = (np.uint64(epoch[c, r]) << np.uint64(33)) | (np.uint64(settled[c, r]) << np.uint64(32))
                place = (np.uint64(r - start[v]) << np.uint64(20)) | np.uint64(c + 16)
                added += _mixed(word | np.uint64(values[c, r]), place)
            total[v] += added
