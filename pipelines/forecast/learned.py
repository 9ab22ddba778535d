"""The learned forecast: chosen among methods and calibrated on weeks later than those it was fitted on.

The past is cut where 40, 60 and 80 % of the faults had been set. Hazards learned from outcomes known by each cut
forecast the weeks from there to the next; on these out-of-time forecasts the method is chosen, the calibration fitted
and the doubt measured. The hazards that forecast today are then learned from all outcomes known today.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from threadpoolctl import threadpool_limits

from pipelines.forecast.calibration import Calibration, calibrate
from pipelines.forecast.features import Features
from pipelines.forecast.intervals import METHODS, IntervalHazards, learn_intervals
from pipelines.forecast.past import HORIZONS, Past
from pipelines.forecast.scores import log_odds
from pipelines.handover import Bools, Float64s, Int64s

CUTS = (0.4, 0.6, 0.8)
FEWEST_FAULTS = 20  # distinct ones, to learn at all
FEWEST_LATER = 5  # of them within 30 days of an out-of-time forecast, to calibrate at all
RESAMPLES = 16
CELL_FAULTS = 5.0  # expected in a cell on which the doubt is measured


@dataclass(frozen=True, kw_only=True)
class LearnedHazard:
    """What forecasts today.

    Attributes:
        method: The chosen one.
        hazards: Of the three intervals.
        calibrations: One for each horizon, and resampled over vehicles for the doubt.
        resampled: [horizon][resample].
        doubt: Standard deviation of log odds beyond chance, as seen out of time, [3].
        faults: Distinct faults learned from.
        later_faults: Distinct faults calibrated on, by horizon.
        losses: Log loss out of time relative to the base rate's, by method.
        recent: Observed over expected faults in the newest out-of-time weeks, with its 90 % interval, by horizon.
    """

    method: str
    hazards: IntervalHazards
    calibrations: tuple[Calibration, ...]
    resampled: tuple[tuple[Calibration, ...], ...]
    doubt: Float64s
    faults: int
    later_faults: tuple[int, ...]
    losses: dict[str, float]
    recent: tuple[tuple[float, float, float], ...]

    def forecast(self, features: Features) -> tuple[Float64s, Float64s, Float64s]:
        """(probability, low, high) within 7, 30, 90 days, each [n, 3]; low to high is a 90 % interval."""
        raw = self.hazards.predict(features)[self.method]
        centre, low, high = np.empty_like(raw), np.empty_like(raw), np.empty_like(raw)
        for k, calibration in enumerate(self.calibrations):
            centre[:, k] = calibration.apply(raw[:, k])
            odds = np.array([log_odds(one.apply(raw[:, k])) for one in self.resampled[k]])
            spread = 1.645 * np.sqrt(odds.var(axis=0) + self.doubt[k] ** 2)
            at = log_odds(centre[:, k])
            low[:, k], high[:, k] = expit(at - spread), expit(at + spread)
        low, high = np.minimum(low, centre), np.maximum(high, centre)
        return tuple(np.maximum.accumulate(column, axis=1) for column in (centre, low, high))  # type: ignore[return-value]


def learn_hazard(past: Past, *, seed: int) -> LearnedHazard | None:
    """Learns the forecast from the past; None: too few faults to choose and calibrate a method on later weeks."""
    weight, fault = past.known_by(past.now, len(HORIZONS) - 1)
    times = past.fault_times(weight * fault > 0)
    if len(times) < FEWEST_FAULTS:
        return None
    with threadpool_limits(1):  # the fits are small, and threads that wait for each other cost more than they save
        hazards = learn_intervals(past, until=past.now, seed=seed)
        later, block = _out_of_time(past, np.quantile(times, CUTS), seed=seed)
    known = [past.known_by(past.now, k, forecast=later["mean"]) for k in range(len(HORIZONS))]
    judged = [(weight > 0) & (block >= 0) for weight, _ in known]
    later_faults = tuple(past.distinct_faults(rows * fault) for rows, (_, fault) in zip(judged, known, strict=True))
    if hazards is None or later_faults[1] < FEWEST_LATER:
        return None
    losses = {method: _loss(later[method], known, judged) for method in METHODS}
    method = min(METHODS, key=lambda name: losses[name])
    chosen = later[method]
    calibrations, resampled, doubt, recent = [], [], [], []
    for k, faults in enumerate(later_faults):
        rows, (weight, fault) = judged[k], known[k]
        data = (chosen[rows, k], fault[rows], weight[rows])
        calibrations.append(calibrate(*data, faults=faults))
        vehicle = past.origins.vehicle[rows]
        resampled.append(_resampled(*data, vehicle, faults=faults, seed=seed))
        even = calibrations[-1].apply(data[0])
        doubt.append(np.hypot(_doubt(even, data[1], data[2], vehicle, block[rows]), 1 / np.sqrt(max(faults, 1))))
        newest = block[rows] == block[rows].max(initial=0)
        recent.append(_observed_over_expected(even[newest], data[1][newest], data[2][newest], vehicle[newest]))
    return LearnedHazard(
        method=method, hazards=hazards, calibrations=tuple(calibrations), resampled=tuple(resampled),
        doubt=np.array(doubt), faults=len(times), later_faults=later_faults, losses=losses, recent=tuple(recent),
    )  # fmt: skip


def _out_of_time(past: Past, cuts: Float64s, *, seed: int) -> tuple[dict[str, Float64s], Int64s]:
    """Forecasts of each row by hazards learned before it, by method [n, 3]; and its block, -1: none."""
    found = {method: np.full((len(past.origins), len(HORIZONS)), np.nan) for method in METHODS}
    block = np.full(len(past.origins), -1)
    for number, (start, end) in enumerate(zip(cuts, [*cuts[1:], np.inf], strict=True)):
        rows = (past.origins.at >= start) & (past.origins.at < end)
        hazards = learn_intervals(past, until=float(start), seed=seed)
        if hazards is None or not rows.any():
            continue
        block[rows] = number
        for method, forecast in hazards.predict(past.features.take(rows)).items():
            found[method][rows] = forecast
    return found, block


def _loss(forecast: Float64s, known: list[tuple[Float64s, Float64s]], judged: list[Bools]) -> float:
    """Mean over the horizons of the log loss, in shares of the base rate's."""
    shares = []
    for k, rows in enumerate(judged):
        weight, fault = (column[rows] for column in known[k])
        if not 0 < (weight * fault).sum() < weight.sum():
            continue
        rate = np.full(rows.sum(), np.average(fault, weights=weight))
        shares.append(_log_loss(forecast[rows, k], fault, weight) / _log_loss(rate, fault, weight))
    return float(np.mean(shares))


def _log_loss(forecast: Float64s, fault: Float64s, weight: Float64s) -> float:
    odds = log_odds(forecast)
    return float(np.average(np.logaddexp(0, odds) - fault * odds, weights=weight))


def _resampled(
    forecast: Float64s, fault: Float64s, weight: Float64s, vehicle: Int64s, *, faults: int, seed: int
) -> tuple[Calibration, ...]:
    rng = np.random.default_rng(seed)
    kinds = int(vehicle.max(initial=0)) + 1
    draws = [rng.multinomial(kinds, np.full(kinds, 1 / kinds))[vehicle] for _ in range(RESAMPLES)]
    return tuple(calibrate(forecast, fault, weight * drawn, faults=faults) for drawn in draws)


def _doubt(forecast: Float64s, fault: Float64s, weight: Float64s, vehicle: Int64s, block: Int64s) -> float:
    """Spread of log(observed / expected) over blocks and levels of forecast beyond what chance explains."""
    squared_excess, squared_expected = 0.0, 0.0
    for number in np.unique(block):
        mine = np.flatnonzero(block == number)
        mine = mine[np.argsort(forecast[mine], kind="stable")]
        reached = np.cumsum(weight[mine] * forecast[mine])
        cells = np.minimum(reached // CELL_FAULTS, max(reached[-1] // CELL_FAULTS - 1, 0)).astype(np.int64)
        for cell in np.unique(cells):
            rows = mine[cells == cell]
            error = weight[rows] * (fault[rows] - forecast[rows])
            by_vehicle = np.bincount(vehicle[rows], weights=error)
            squared_excess += error.sum() ** 2 - (by_vehicle**2).sum()
            squared_expected += (weight[rows] * forecast[rows]).sum() ** 2
    return float(np.sqrt(max(squared_excess, 0.0) / max(squared_expected, 1e-12)))


def _observed_over_expected(
    forecast: Float64s, fault: Float64s, weight: Float64s, vehicle: Int64s
) -> tuple[float, float, float]:
    """Ratio with a 90 % interval that counts each vehicle once."""
    expected = max(float((weight * forecast).sum()), 1e-9)
    error = np.bincount(vehicle, weights=weight * (fault - forecast))
    ratio, spread = 1 + error.sum() / expected, 1.645 * np.sqrt((error**2).sum()) / expected
    return float(ratio), float(max(ratio - spread, 0.0)), float(ratio + spread)
