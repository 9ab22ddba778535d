"""Would the forecasts have been right? Each date analysed as of then, scored against what came after."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from pipelines.analyse import forecasts_of
from pipelines.errors import SettingError
from pipelines.forecast.censoring import censoring_weights, risk_strata
from pipelines.forecast.check import check_tables
from pipelines.forecast.hazard import Forecasts
from pipelines.forecast.outcomes import Record, days, outcomes, record_of
from pipelines.forecast.time_grid import HORIZONS
from pipelines.forecast.workshop import jobs_done
from pipelines.handover import Evidence
from pipelines.history.reconstruct import reconstruct
from pipelines.settings import Settings


@dataclass(frozen=True, kw_only=True)
class Made:
    """Forecasts as of a date.

    frame: The contract's `fault_forecast` with those of simpler methods beside it. evidence: Of that time; its readings
    are not looked at.
    """

    frame: pl.DataFrame
    evidence: Evidence

    @classmethod
    def of(cls, forecasts: Forecasts, evidence: Evidence) -> "Made":
        """Of some vehicles."""
        frame = forecasts.forecast.fault_forecast.join(
            forecasts.references, on=["vehicle_id", "horizon_days"], validate="1:1", maintain_order="left"
        )
        return cls(frame=frame, evidence=evidence)


def backtest(
    evidence_at: Callable[[datetime], Evidence],
    later: Evidence,
    *,
    dates: Sequence[datetime],
    settings: Settings,
    progress: Callable[[str], None] = lambda _: None,
) -> dict[str, pl.DataFrame]:
    """Forecasts of past dates, made from what was known then, held against what came after.

    Args:
        evidence_at: What was known at a date: read by then and, if asked for, loaded by then.
        later: What is known now; outcomes are taken from it.
        dates: When to forecast, all before `later.as_of`.
        settings: The user's settings, with the seed.
        progress: Called with each date as it begins.

    Returns:
        As `scored`.

    Raises:
        SettingError: no date lies before the newest reading.
    """

    def made_at(dates: Sequence[datetime]) -> Iterator[Made | None]:
        for date in dates:
            evidence = evidence_at(date)
            read = evidence.snapshots.height
            yield Made.of(forecasts_of(evidence, settings=settings)[0], evidence) if read else None

    def record() -> Record:
        return record_of(later, reconstruct(later))

    return scored(made_at, record, later.as_of, dates=dates, seed=settings.seed, progress=progress)


def scored(
    made_at: Callable[[Sequence[datetime]], Iterator[Made | None]],
    record_now: Callable[[], Record],
    now: datetime,
    *,
    dates: Sequence[datetime],
    seed: int,
    progress: Callable[[str], None] = lambda _: None,
) -> dict[str, pl.DataFrame]:
    """The same of forecasts that were made in whatever way.

    Args:
        made_at: The forecasts as of each of some dates, in their order; None: nothing had been read.
        record_now: What is known now of what came after.
        now: The newest reading.
        dates: When to forecast, all before `now`.
        seed: Of intervals.
        progress: Called with each date as it begins.

    Returns:
        `forecast_check` (the contract's), `forecast_curve` (`horizon_days, bin, forecast, observed, low, high,
        vehicles, faults`), `forecast_watch` (`horizon_days, forecast_at, rows, expected, observed, low, high, inside`)
        and `forecast_past` (`vehicle_id, forecast_at, days_since_read, horizon_days, probability, low, high,
        leeway_alone, largest_deviation, known, fault, weight, lead_days, chosen`).

    Raises:
        SettingError: no date lies before the newest reading.
    """
    usable = [date for date in dates if date < now]
    if not usable:
        raise SettingError(f"backtest: no date before the newest reading at {now:%Y-%m-%d}. Choose earlier dates.")
    record, parts, forecasts = record_now(), [], made_at(usable)
    for date in usable:
        progress(f"as of {date:%Y-%m-%d}")
        if made := next(forecasts):
            parts.append(_with_outcomes(made, record))
    past = pl.concat([part for part in parts if part.height]) if any(part.height for part in parts) else None
    if past is None:
        raise SettingError("backtest: nothing had been read by any of the dates. Choose later dates.")
    return {**check_tables(past, seed=seed), "forecast_past": past}


def _with_outcomes(made: Made, record: Record) -> pl.DataFrame:
    """Forecasts of one date with what became of each."""
    evidence, frame = made.evidence, made.frame
    now = float(days(pl.Series([evidence.as_of.replace(tzinfo=None)]))[0])
    return pl.concat(
        [
            _with_outcome(
                frame.filter(pl.col("horizon_days") == horizon), record, now, horizon, jobs_done(evidence, horizon)
            ).with_columns(forecast_at=pl.lit(evidence.as_of, pl.Datetime("us", "UTC")))
            for horizon in HORIZONS
        ]
    ).select(
        "vehicle_id", "forecast_at", "days_since_read", "horizon_days", "probability", "low", "high", "leeway_alone",
        "largest_deviation", "known", "fault", "weight", "lead_days", "chosen",
    )  # fmt: skip


def _with_outcome(frame: pl.DataFrame, record: Record, now: float, horizon: int, jobs: int) -> pl.DataFrame:
    vehicle = frame["vehicle_id"].replace_strict(record.number, return_dtype=pl.Int64).to_numpy()
    at = np.full(len(vehicle), now)
    followed = outcomes(record, vehicle, at, frame["last_read_days"].to_numpy())
    known, fault = followed.within(horizon)
    # A horizon that had not passed by the last look into anybody's fault memory is open, even where a fault is seen.
    if now + horizon > record.known_until.max(initial=-np.inf):
        known = np.zeros_like(known)
    weight = censoring_weights(followed, horizon, risk_strata(frame["probability"].to_numpy()))
    rank = frame["probability"].rank("ordinal", descending=True)
    return frame.with_columns(
        known=pl.Series(known == 1),
        fault=pl.Series((fault == 1) & (known == 1)),
        weight=pl.Series(weight * known),
        lead_days=pl.Series(np.where((fault == 1) & (known == 1), followed.fault, np.nan)).fill_nan(None),
        chosen=rank <= jobs,
        days_since_read=now - pl.col("last_read_days"),
    )
