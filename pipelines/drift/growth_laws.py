"""Laws by which a change grows: a table of paths by days since the onset, each of unit size; arrays, nothing else.

What a defect does next depends on its law, and a few readings after an alarm seldom tell which one it is. So every law
that workshops know stands here, with members that differ in pace, in when they pause and in when they show.
"""

from typing import NamedTuple

import numpy as np

from pipelines.handover import Float64s, Int64s

# Laws, in the order of their shares: it has jumped; it grows alike; ever faster; ever slower; in spells, between which
# it stands still; in the warm or the cold half of the year alone, or it shows in that half alone.
LAWS = ("step", "steady", "accelerating", "levelling", "pausing", "seasonal")
STEP_DAYS = 7.0  # of the table; between its columns paths are straight; numerical
FARTHEST_DAYS = 3650.0  # a limit met later than this is not expected to be met; judgement
PAST_DAYS = 1460.0  # an epoch's onsets that lie longer ago are taken for so old; judgement
# Of accelerating paths: as a power, or what is there makes more; judgement.
POWERS, DOUBLING_DAYS = (2.0,), (35.0, 80.0)
LEVELLING_DAYS = (30.0, 90.0, 240.0)  # in which all but a third of the way is gone; judgement
STOPPING_DAYS = (60.0, 120.0, 240.0, 480.0)  # after which what has grown alike stands still for good; judgement
SPELL_DAYS = (40.0, 90.0, 200.0)  # mean length of spells of growing and of pausing; exponential; judgement
SPELL_PATHS = 3  # drawn of each; for speed
YEAR, WARMEST = 365.25, 200.0  # days; the day of the year on which it is warmest, in the north; definition
PHASES = 12  # of the year in which an onset lies; half of them later is the south's, or what needs cold; numerical
# Prior sd of a change of unit size in sigmas: a step; for all others what has grown after a hundred days. Scales of it
# are weighed against each other, so that this need not be right; judgement.
JUMP_SIGMAS, GROWN_SIGMAS, GROWN_DAYS = 4.0, 6.0, 100.0


def _spells(day: Float64s) -> list[Float64s]:
    """Growth in spells; lengths are drawn by a seed, the first spell of each path from its own part of the law."""
    rng = np.random.default_rng(1)
    paths = []
    for mean in SPELL_DAYS:
        for path in range(SPELL_PATHS):
            lengths = rng.exponential(mean, int(2 * day[-1] / mean) + 50)
            lengths[0] = -mean * np.log(1 - (path + 0.5) / SPELL_PATHS)
            ends = np.concatenate([[0.0], np.cumsum(lengths)])
            grown = np.cumsum(np.where(np.arange(len(lengths)) % 2 == 0, lengths, 0.0))
            paths.append(np.interp(day, ends, np.concatenate([[0.0], grown])))
    return paths


def _seasonal(day: Float64s) -> list[Float64s]:
    """For each phase of an onset, what grows by warmth; then for each, what grows alike and shows when it is warm."""
    warmth = [np.cos(2 * np.pi * (day / YEAR + phase / PHASES)) for phase in range(PHASES)]
    grows = [np.cumsum(np.maximum(warm, 0.0)) * STEP_DAYS * np.pi for warm in warmth]
    return [path - path[0] for path in grows] + [day * np.clip(0.5 + warm, 0.0, 1.0) for warm in warmth]


def _table() -> tuple[Float64s, Int64s, Int64s]:
    day = np.arange(0, FARTHEST_DAYS + PAST_DAYS + STEP_DAYS, STEP_DAYS)
    by_law: dict[str, list[Float64s]] = {
        "step": [np.ones(len(day))],
        "steady": [day],
        "accelerating": [day**power for power in POWERS]
        + [np.expm1(np.minimum(day / days * np.log(2), 30.0)) for days in DOUBLING_DAYS],
        "levelling": [1 - np.exp(-day / days) for days in LEVELLING_DAYS]
        + [np.minimum(day, days) for days in STOPPING_DAYS],
        "pausing": _spells(day),
        "seasonal": _seasonal(day),
    }
    by_year = np.interp(GROWN_DAYS, day, day)  # paths of one year's phases have one size, or they could not be compared
    rows, law = [], []
    for number, name in enumerate(LAWS):
        for path in by_law[name]:
            unit = JUMP_SIGMAS
            if name != "step":
                unit = GROWN_SIGMAS / (by_year if name == "seasonal" else np.interp(GROWN_DAYS, day, path))
            rows.append(path * unit)
            law.append(number)
    count = len(rows) - 2 * PHASES
    paths = np.tile(np.arange(count + 4), (PHASES, 1))
    for phase in range(PHASES):
        warm, cold = count + phase, count + (phase + PHASES // 2) % PHASES
        paths[phase, count:] = warm, cold, warm + PHASES, cold + PHASES
    return np.array(rows), paths, np.array(law[: count + 4])


class Table(NamedTuple):
    """Paths by weeks since the onset, in sigmas of prior sd 1; what kernels take of it.

    grown: [rows, S] so far. highest: [rows, S] that it has been by then. step_days: between its columns.
    """

    grown: Float64s
    highest: Float64s
    step_days: float


# [PHASES, P] row of each path by the phase of its onset; [P] index into LAWS; [laws] paths of each.
_ROWS, ROW_OF, LAW_OF = _table()
TABLE = Table(_ROWS, np.maximum.accumulate(_ROWS, axis=1), STEP_DAYS)  # derived
MEMBERS = np.bincount(LAW_OF, minlength=len(LAWS))
