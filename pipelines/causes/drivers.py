"""What drives the change of what departs most: the cold, and kilometres against days. `FamilyDrift` in, arrays out.

Only readings since the episode began speak. What the whole fleet does in the cold is in what is expected already.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipelines.causes.knowledge import Cause
from pipelines.handover import FamilyDrift, Float64s, Int64s

FEWEST = 8  # readings of an episode that tell a driver
LEAST_SPAN = 4.0  # sd of the outside temperature (degC) below which nothing is told of the cold
BY_TEN_DEGREES = 0.15  # of its level, by which what shows in the cold changes in ten degrees (judgement)
SHOWN = 0.5  # share of cases in which the driver shows (judgement)
SAME_LINE = 1e-12  # share of the variance beside each other, below which cold and time cannot be told apart
MOST_NATS = 1.0  # that a driver may say either way


def outside(family: FamilyDrift, looked: Int64s, snapshots: pl.DataFrame) -> Float64s:
    """[R] outside temperature at each row of the family's panel, degC; NaN: not read, or not of a vehicle looked at."""
    panel = family.panel
    names = pl.Series(panel.vehicles, dtype=pl.String)
    rows = pl.DataFrame(
        {
            "vehicle_id": names.gather(np.repeat(np.arange(len(names)), np.diff(panel.row_start))),
            "read_at": pl.Series(panel.read_at.astype("datetime64[us]")).dt.replace_time_zone("UTC"),
        }
    )
    asked = names.gather(looked).alias("vehicle_id").to_frame()
    known = (
        snapshots.select("vehicle_id", "read_at", "ambient_c")
        .filter(pl.col("read_at") >= rows["read_at"].min())
        .join(asked, on="vehicle_id", how="semi")
        .unique(["vehicle_id", "read_at"], keep="last")
    )
    found = rows.join(known, on=["vehicle_id", "read_at"], how="left", maintain_order="left")
    told: Float64s = found["ambient_c"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    return told


def drivers(family: FamilyDrift, looked: Int64s, leading: Int64s, base: Int64s, outside_c: Float64s) -> Float64s:
    """[looked, 2] log likelihood ratios: that it is more in the cold (below 0: in warm weather), that it goes by km.

    Args:
        family: Newest rows of each vehicle.
        looked: Vehicles.
        leading: Of each, the correction that departs most.
        base: [V] row before which the episode lies.
        outside_c: [R].
    """
    panel, told = family.panel, np.zeros((len(looked), 2))
    for i, (v, c) in enumerate(zip(looked, leading, strict=True)):
        rows = np.arange(base[v] + 1, panel.row_start[v + 1])
        if not len(rows):
            continue  # the newest reading is the base: nothing lies behind it that could tell
        y = (panel.values[rows, c] - family.expected[rows, c]).astype(np.float64)
        y /= max(float(family.sigma[c]) * float(np.nan_to_num(family.scale[rows[-1], c], nan=1.0)), 1e-12)
        days = (panel.read_at[rows] - panel.read_at[rows[0]]) / np.timedelta64(1, "D")
        y *= np.sign(np.nanmean(y)) if np.isfinite(y).any() else 1.0
        told[i] = _colder(y, days, outside_c[rows]), _by_km(y, days, panel.km[rows])
    return told


def _colder(y: Float64s, days: Float64s, outside_c: Float64s) -> float:
    """Signed log likelihood ratio of a departure that grows as it gets colder, against one that does not care."""
    known = np.isfinite(y) & np.isfinite(outside_c)
    y, days, tens = y[known], days[known], outside_c[known] / 10.0
    if len(y) < FEWEST or tens.std() < LEAST_SPAN / 10.0:
        return 0.0
    d, t, v = days - days.mean(), tens - tens.mean(), y - y.mean()
    dd, tt, dt, dv, tv = d @ d, t @ t, d @ t, d @ v, t @ v
    determinant = dd * tt - dt * dt
    if determinant <= SAME_LINE * dd * tt:
        return 0.0
    by_day, by_tens = (tt * dv - dt * tv) / determinant, (dd * tv - dt * dv) / determinant
    left = max(float(v @ v - by_day * dv - by_tens * tv), 0.0)
    error = np.sqrt(max(left / (len(y) - 3), 1.0) * dd / determinant)
    expected = BY_TEN_DEGREES * abs(float(y.mean()))
    spread = np.hypot(error, expected / 2)
    return float(_log_normal(-by_tens, expected, spread) - _log_normal(by_tens, expected, spread))


def _by_km(y: Float64s, days: Float64s, km: Float64s) -> float:
    """Log likelihood ratio of a straight line in kilometres against one in days."""
    known = np.isfinite(y) & np.isfinite(km)
    if known.sum() < FEWEST or np.ptp(km[known]) <= 0 or np.ptp(days[known]) <= 0:
        return 0.0
    left = [_left_of_line(x[known], y[known]) for x in (days, km)]
    noise = max(min(left) / max(int(known.sum()) - 2, 1), 1.0)
    return 0.5 * (left[0] - left[1]) / noise


def _left_of_line(x: Float64s, y: Float64s) -> float:
    """Sum of squares that the best straight line leaves."""
    u, v = x - x.mean(), y - y.mean()
    return max(float(v @ v - (u @ v) ** 2 / (u @ u)), 0.0)


def _log_normal(x: float, mean: float, sd: float) -> float:
    return float(-0.5 * ((x - mean) / sd) ** 2)


def driven(told: Float64s, causes: Sequence[Cause]) -> Float64s:
    """[looked, K] what drivers say of each hypothesis's cause, against any other; 0: it has none.

    Args:
        told: [looked, 2] from `drivers`.
        causes: Of K hypotheses.
    """
    cold = np.array([cause.cold for cause in causes], dtype=np.float64)
    by_km = np.array([cause.by_km for cause in causes], dtype=np.float64)
    said: Float64s = _damped(told[:, :1] * cold) + _damped(told[:, 1:] * by_km)
    return np.clip(said, -MOST_NATS, MOST_NATS)


def _damped(ratio: Float64s) -> Float64s:
    """The same where the driver shows in some cases alone."""
    damped: Float64s = np.logaddexp(np.log1p(-SHOWN), np.log(SHOWN) + np.clip(ratio, -50, 50))
    return damped
