"""Stage `forecast`: drift, outliers and history in; each vehicle's probability of a fault within 7, 30, 90 days out."""

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.features import features_of
from pipelines.forecast.likely_code import likely_codes
from pipelines.forecast.origins import EVERY_DAYS, Origins, origins_at, past_times
from pipelines.forecast.outcomes import Record, days, outcomes, record_of
from pipelines.forecast.prior import learn_prior
from pipelines.handover import Drift, Evidence, Forecast, History, Outliers
from pipelines.outliers.in_service import in_service
from pipelines.settings import Settings

HORIZONS = (7, 30, 90)


def forecast_faults(
    drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History, settings: Settings
) -> Forecast:
    """Probability of at least one new fault event per vehicle in service and horizon, if nothing is repaired before."""
    record = record_of(evidence, history)
    now = float(days(pl.Series([evidence.as_of.replace(tzinfo=None)]))[0])
    here = origins_at(drift, record, np.array([now]))
    past = origins_at(drift, record, past_times(drift, now))
    followed = outcomes(record, past.vehicle, past.at, past.read)
    known = {"evidence": evidence, "history": history}
    features_then = features_of(past, drift, outliers, record, **known)
    features_now = features_of(here, drift, outliers, record, **known)
    prior = learn_prior(past, features_then, followed, every_days=EVERY_DAYS)
    probability = prior.probabilities(features_now)
    low, high = prior.interval(features_now)
    codes = likely_codes(here, features_now, drift, **known)
    basis = f"first passage of the limits and a prior rate of {prior.rate:.2g} faults a vehicle-year"
    ids = np.array(sorted(record.number), dtype=object)[here.vehicle]
    frame = pl.concat(
        [
            pl.DataFrame(
                {
                    "vehicle_id": pl.Series(ids.tolist(), dtype=pl.String),
                    "horizon_days": horizon,
                    "probability": probability[:, k],
                    "low": low[:, k],
                    "high": high[:, k],
                    "likely_code": pl.Series(codes, dtype=pl.String),
                    "basis": basis,
                }
            )
            for k, horizon in enumerate(HORIZONS)
        ]
    )
    frame = frame.join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi")
    schema = published_tables()["fault_forecast"].schema
    return Forecast(
        fault_forecast=frame.select(schema.names()).cast(dict(schema)).sort("vehicle_id", "horizon_days"),
        model=pl.DataFrame(
            {"term": ["rate"], "horizon_days": [None], "value": [prior.rate], "meaning": ["faults a vehicle-year"]},
            schema={"term": pl.String, "horizon_days": pl.Int64, "value": pl.Float64, "meaning": pl.String},
        ),
    )
