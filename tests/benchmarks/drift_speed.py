"""Speed and memory of bands and drift: `python tests/benchmarks/drift_speed.py [vehicles] [corrections]`.

Times a fleet of two years of weekly readings, prints values a second beside a bare scan of the same values, and the
figure scaled to 10,000 vehicles x 104 weeks x 73 corrections. The first run compiles and is not counted.
"""

import resource
import sys
import time

import numpy as np
from drift_fleets import START, World, light_fleet

from pipelines.bands.panel import panels
from pipelines.drift.straying import straying
from pipelines.handover import Panel
from pipelines.settings import Settings

FULL = 10_000 * 104 * 73


def wide_panel(vehicles: int, corrections: int) -> Panel:
    """Cheap readings of the right size and shape: noise with memory, weekly, one family."""
    rng = np.random.default_rng(1)
    weeks = 104
    values = np.empty((corrections, vehicles, weeks), dtype=np.float32)
    values[:] = rng.standard_normal((corrections, vehicles, 1), dtype=np.float32) * 2
    noise = rng.standard_normal((corrections, vehicles), dtype=np.float32)
    for week in range(weeks):
        noise = 0.5 * noise + 0.866 * rng.standard_normal((corrections, vehicles), dtype=np.float32)
        values[:, :, week] += noise
    rows = vehicles * weeks
    day = np.tile(np.arange(weeks) * 7.0, vehicles) + np.repeat(rng.uniform(0, 6, vehicles), weeks)
    read_at = np.datetime64(START.replace(tzinfo=None), "us") + (day * 86_400e6).astype("timedelta64[us]")
    return Panel(
        family="family-0", vehicles=tuple(f"vehicle-{v:05d}" for v in range(vehicles)),
        codes=tuple(f"channel_{c + 1}" for c in range(corrections)),
        row_start=np.arange(0, rows + 1, weeks), read_at=read_at, hours=day * 1.5, km=day * 50,
        depot=np.repeat(np.arange(vehicles, dtype=np.int32) % 6, weeks), depots=tuple("abcdef"),
        calibration=np.zeros(rows, dtype=np.int32), calibrations=("A",),
        values=values.reshape(corrections, rows).T, epoch=np.zeros((corrections, rows), dtype=np.int32).T,
        low_limit=np.full(corrections, -25.0), high_limit=np.full(corrections, 25.0), neutral=np.zeros(corrections),
        resolution=np.zeros(corrections), can_fault_low=np.ones(corrections, dtype=bool),
        can_fault_high=np.ones(corrections, dtype=bool),
    )  # fmt: skip


def main() -> None:
    vehicles, corrections = (int(word) for word in (sys.argv[1:] + ["2000", "20"][len(sys.argv) - 1 :])[:2])
    small = light_fleet(World(vehicles=30, corrections=corrections, weeks=60))
    straying(panels(small.evidence, small.history), evidence=small.evidence, history=small.history, settings=Settings())
    panel = wide_panel(vehicles, corrections)
    count = panel.values.size
    began = time.perf_counter()
    for column in panel.values.T:
        np.nansum(column)
    scan = time.perf_counter() - began
    began, busy = time.perf_counter(), time.process_time()
    straying([panel], evidence=small.evidence, history=small.history, settings=Settings())
    took, busy = time.perf_counter() - began, time.process_time() - busy
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"{vehicles} vehicles x 104 weeks x {corrections} corrections = {count / 1e6:.1f} million values")
    print(
        f"bare scan {scan:.2f} s; bands and drift {took:.1f} s ({took / scan:.0f} times), peak memory {memory:.1f} GiB"
    )
    print(f"scaled to 10,000 x 104 x 73: {took * FULL / count:.0f} s, {busy * FULL / count:.0f} s of processor")


if __name__ == "__main__":
    main()
