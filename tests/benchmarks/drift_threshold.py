"""How often the test alarms on noise that it knows: `python tests/benchmarks/drift_threshold.py [--series 20000]`.

Pure noise of the method's own model (an Ornstein-Uhlenbeck process of sd 1 read weekly; scale, tails and memory known
to the test as they are; the level steady, though the test allows it the least wander), by what the noise remembers from
one reading to the next: alarms a reading, after 26 settled readings, over exp(-threshold).
`drift/threshold.py` takes these shares; no fleet is in them.
"""

import argparse
from itertools import pairwise

import numpy as np
from drift_table import rate_interval

from pipelines.bands.normal import LEAST_WANDER, NOISE, SCORES
from pipelines.drift.carry_over import MOVED
from pipelines.drift.onset_bank import empty_bank
from pipelines.drift.readings import run_filter
from pipelines.drift.series import Healthy, Output, Rows, blank_series

MEMORY = (0.0, 0.3, 0.5, 0.8, 0.9, 0.97)  # share of the noise that is remembered over a week
THRESHOLDS = (7.0, 8.0, 9.0)  # where alarms are many enough to be counted
READINGS, COUNTED, OUT_OF_IT = 156, 26, 4
OFFSET_SD = 2.0  # of vehicles' levels


def alarms(memory: float, threshold: float, series: int, rng: np.random.Generator) -> np.ndarray:
    """[series] alarms that are raised after `COUNTED` readings, each after `OUT_OF_IT` readings out of it."""
    day = np.tile(np.arange(READINGS) * 7.0, series)
    draw = rng.standard_normal((series, READINGS))
    for k in range(1, READINGS):
        draw[:, k] = memory * draw[:, k - 1] + np.sqrt(1 - memory**2) * draw[:, k]
    values = draw + rng.normal(0, OFFSET_SD, (series, 1))
    n = values.size
    rows = Rows(
        value=values.ravel().astype(np.float32), base=np.zeros(n), base_var=np.zeros(n), scale=np.ones(n),
        epoch=np.zeros(n, dtype=np.int32), change=np.full(n, -1, dtype=np.int32), moved=np.zeros(n, dtype=MOVED),
        day=day, hours=day * 1.5, block=np.zeros(n, dtype=np.int32), coded=np.zeros(n, dtype=np.bool_),
        jumps=np.zeros(n), **{name: np.zeros(n, dtype=np.bool_) for name in ("worked", "joined", "stood")},
    )  # fmt: skip
    memory_days = -7 / np.log(memory) if memory else 1e-3
    noise = np.array([(1.0, memory_days, 0.0, LEAST_WANDER, OFFSET_SD, 0.0, 0.0)], dtype=NOISE)
    healthy = Healthy(noise, SCORES[None, :] * 1.0, np.array([threshold]), 0.0, np.nan, np.nan, 0.0)
    numbers, flags = np.empty((5, n), dtype=np.float32), np.empty((2, n), dtype=np.bool_)
    first = np.arange(series) * READINGS
    run_filter(
        rows, healthy, first=first, last=first + READINGS, series=blank_series(series), onsets=empty_bank(0),
        output=Output(*numbers, *flags),
    )  # fmt: skip
    alarm = flags[0].reshape(series, READINGS)
    since = np.zeros(series)
    count = np.zeros(series)
    for before, now in pairwise(range(READINGS)):
        since = np.where(alarm[:, before], 0, since + 1)
        count += (now >= COUNTED) & alarm[:, now] & ~alarm[:, before] & (since >= OUT_OF_IT)
    return count


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("remembered  threshold  alarms  a reading over exp(-threshold), 95 %")
    for memory in MEMORY:
        for threshold in THRESHOLDS:
            rng = np.random.default_rng([asked.seed, int(memory * 100), int(threshold * 10)])
            count = alarms(memory, threshold, asked.series, rng)
            expected = np.full(len(count), (READINGS - COUNTED) * np.exp(-threshold))
            low, high = rate_interval(count, expected)
            ratio = count.sum() / expected.sum()
            line = f"{memory:10.2f} {threshold:10.1f} {int(count.sum()):7d}  {ratio:.2f} ({low:.2f} to {high:.2f})"
            print(line, flush=True)


if __name__ == "__main__":
    main()
