"""One column of some readings beside what their vehicles and peers read else, and what that says for a slip."""

from dataclasses import dataclass

import numba
import numpy as np

from pipelines.handover import Float32s, Float64s, Int64s
from pipelines.held.levels import log_t
from pipelines.held.readings import Measured
from pipelines.held.slips import Slip

ON_STEP = 1e-3  # of a step, by which a value in single precision may be beside it
MOST_A_CELL = 8.0  # that one cell may say for or against, in nats: a vehicle that is odd by itself must not decide


@dataclass(frozen=True, kw_only=True)
class Cells:
    """One column in some rows: what came, what the vehicle reads else and the scatter about that; the same of peers."""

    column: Measured
    x: Float64s
    level: Float64s
    scale: Float64s
    peer_level: Float64s
    peer_scale: Float64s

    def of(self, at: Int64s | slice) -> "Cells":
        """In some of the rows."""
        return Cells(
            column=self.column, x=self.x[at], level=self.level[at], scale=self.scale[at],
            peer_level=self.peer_level[at], peer_scale=self.peer_scale[at],
        )  # fmt: skip

    def log_density(self, values: Float64s) -> Float64s:
        """Of values where the vehicle goes on as it did."""
        return log_t((values - self.level) / self.scale) - np.log(self.scale)

    def slipped_density(self, slip: Slip) -> Float64s:
        """Log density of the cells as they came, if they slipped and the vehicle goes on as it did.

        Spread over other numbers than its own, a density is thinner or denser by the factor. Not where values have
        steps: what slipped to larger numbers lies on few of the steps there are, as likely on each as it was.
        """
        on_step = on_steps(self.x, slip.factor, slip.offset, self.column.neutral, self.column.step)
        wider = np.where(on_step, 0.0, np.log(abs(slip.factor)))
        density: Float64s = self.log_density(slip.righted(self.x)) + wider
        return density

    def said(self, slip: Slip) -> Float64s:
        """[n] nats for the slip against what the cell says, unbounded; NaN: not read, or nothing to compare with."""
        return self.slipped_density(slip) - self.log_density(self.x)

    def ratio(self, slip: Slip) -> Float32s:
        """[n] the same bounded; 0: it says nothing."""
        grid = (self.column.neutral, self.column.step)
        nats: Float32s = bounded_nats(self.x, self.level, self.scale, slip.factor, slip.offset, *grid)
        return nats


@numba.njit(cache=True, nogil=True)
def on_steps(x, factor, offset, neutral, step):  # type: ignore[no-untyped-def]
    """[n] whether values that a slip makes larger lie, righted, on a step of their correction (0: it has none)."""
    out = np.zeros(len(x), np.bool_)
    if step <= 0 or abs(factor) >= 1:
        return out
    for i in range(len(x)):
        steps = (x[i] * factor + offset - neutral) / step
        out[i] = abs(steps - np.round(steps)) < ON_STEP
    return out


@numba.njit(cache=True, nogil=True)
def bounded_nats(x, level, scale, factor, offset, neutral, step):  # type: ignore[no-untyped-def]  # noqa: PLR0917
    """[n] log of the ratio of two densities of Student's t with 4 degrees of freedom, of x righted and as it came."""
    out = np.zeros(len(x), np.float32)
    whole = on_steps(x, factor, offset, neutral, step)
    for i in range(len(x)):
        if np.isnan(x[i]) or (x[i] == 0 and offset == 0):
            continue
        came, righted = (x[i] - level[i]) / scale[i], (x[i] * factor + offset - level[i]) / scale[i]
        nats = 2.5 * np.log((4 + came * came) / (4 + righted * righted)) + (0.0 if whole[i] else np.log(abs(factor)))
        if not np.isnan(nats):
            out[i] = min(max(nats, -MOST_A_CELL), MOST_A_CELL)
    return out


@numba.njit(cache=True, nogil=True)
def likeliest_share(nats):  # type: ignore[no-untyped-def]
    """Of each column [K], by what its rows say [K, n]: likeliest share that slipped; and nats that any slipped."""
    share, any_slipped = np.full(len(nats), 0.5), np.zeros(len(nats))
    odds = np.empty(nats.shape[1])
    for k in range(len(nats)):
        for i in range(len(odds)):
            odds[i] = np.exp(min(max(np.float64(nats[k, i]), -50.0), 50.0))
        for _ in range(10):
            slipped = 0.0
            for i in range(len(odds)):
                slipped += share[k] * odds[i] / (share[k] * odds[i] + 1 - share[k])
            share[k] = min(max(slipped / len(odds), 1e-6), 1 - 1e-6)
        for i in range(len(odds)):
            any_slipped[k] += np.log(share[k] * odds[i] + 1 - share[k])
    return share, any_slipped
