"""Stage `forecast`: drift, outliers and history in; chances of a fault in 7, 30, 90 days out.

What is forecast is a *new* fault event. Where a fault stands already, the corrections that set it no longer count:
their code can't be set anew before it is gone. The vehicle's other corrections do, and the standing fault itself.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.features import Features, features_of
from pipelines.forecast.learned import LearnedHazard, learn_hazard
from pipelines.forecast.learners import learn_logistic
from pipelines.forecast.likely_code import likely_codes
from pipelines.forecast.origins import origins_at
from pipelines.forecast.outcomes import days, record_of
from pipelines.forecast.past import HORIZONS, Past, past_of
from pipelines.handover import Drift, Evidence, Float64s, Forecast, History, Outliers
from pipelines.in_service import in_service
from pipelines.settings import Settings

MODEL_SCHEMA = {"term": pl.String, "horizon_days": pl.Int64, "value": pl.Float64, "meaning": pl.String}


@dataclass(frozen=True, kw_only=True)
class Forecasts:
    """The forecast and, for its backtest, what simpler methods learned from the same past would say.

    Attributes:
        forecast: The published forecast.
        references: `vehicle_id, horizon_days, last_read_at_days, leeway_alone, largest_deviation`.
    """

    forecast: Forecast
    references: pl.DataFrame


def forecast_faults(
    drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History, settings: Settings
) -> Forecast:
    """Probability of at least one new fault event per vehicle in service and horizon, if nothing is repaired before."""
    return forecast_with_references(drift, outliers, evidence=evidence, history=history, settings=settings).forecast


def forecast_with_references(
    drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History, settings: Settings
) -> Forecasts:
    """As `forecast_faults`, with forecasts from least leeway alone and from the largest deviation alone beside it."""
    record = record_of(evidence, history)
    now = float(days(pl.Series([evidence.as_of.replace(tzinfo=None)]))[0])
    past = past_of(drift, outliers, record, now, evidence=evidence, history=history, seed=settings.seed)
    here = origins_at(drift, record, np.array([now]))
    features = features_of(here, drift, outliers, record, evidence=evidence, history=history)
    learned = learn_hazard(past, seed=settings.seed)
    if learned is None:
        low, high = past.prior.interval(features)
        figures = (past.prior.probabilities(features), low, high)
    else:
        figures = learned.forecast(features)
    codes = likely_codes(here, features, drift, evidence=evidence, history=history)
    ids = pl.Series(sorted(record.number), dtype=pl.String).gather(here.vehicle)
    frame = pl.DataFrame(
        {
            "vehicle_id": pl.concat([ids] * len(HORIZONS)) if len(ids) else ids,
            "horizon_days": np.repeat(HORIZONS, len(ids)),
            **{name: part.T.ravel() for name, part in zip(("probability", "low", "high"), figures, strict=True)},
            "likely_code": pl.Series(codes * len(HORIZONS), dtype=pl.String),
            "basis": pl.Series([basis(past, learned)] * (len(ids) * len(HORIZONS)), dtype=pl.String),
            "last_read_days": np.tile(here.read, len(HORIZONS)),
            **{name: part.T.ravel() for name, part in _references(past, features).items()},
        }
    ).join(in_service(evidence.vehicles, evidence.as_of), on="vehicle_id", how="semi")
    frame = frame.sort("vehicle_id", "horizon_days")
    columns = published_tables()["fault_forecast"].schema
    return Forecasts(
        forecast=Forecast(
            fault_forecast=frame.select([pl.col(name).cast(dtype) for name, dtype in columns.items()]),
            model=model_terms(past, learned),
        ),
        references=frame.select("vehicle_id", "horizon_days", "last_read_days", "leeway_alone", "largest_deviation"),
    )


def basis(past: Past, learned: LearnedHazard | None) -> str:
    """What the figures rest on, in words."""
    prior = past.prior
    if learned is None:
        return (
            f"first passage of the limits, and a prior rate of {prior.rate:.2g} faults a vehicle-year "
            f"(too few faults to learn from: {len(past.fault_times(past.faults[:, -1] > 0))} in "
            f"{prior.vehicle_years:.0f} vehicle-years)"
        )
    ways = {
        "few": "hazard of limits and evidence",
        "logistic": "hazard of all signs",
        "boosted": "boosted hazard of all signs",
        "mean": "mean of several hazards",
    }
    return (
        f"learned from {learned.faults} faults of this fleet ({ways[learned.method]} with the first passage of the "
        f"limits), calibrated on {learned.later_faults[1]} later ones"
    )


def model_terms(past: Past, learned: LearnedHazard | None) -> pl.DataFrame:
    """What the forecast learned, as rows of `term, horizon_days, value, meaning`."""
    terms: list[tuple[str, int | None, float, str]] = [
        ("prior rate", None, past.prior.rate, "faults a vehicle-year that no first passage announced"),
        ("vehicle-years", None, past.prior.vehicle_years, "watched so far"),
        ("faults", None, float(learned.faults if learned else past.prior.faults), "distinct faults learned from"),
    ]
    if learned is not None:
        terms += [
            (f"loss {name}", None, loss, "log loss on later weeks, in shares of the base rate's; the least is used")
            for name, loss in learned.losses.items()
        ]
        names = (*past.features.names, "way of failing")
        for k, horizon in enumerate(HORIZONS):
            ratio, low, high = learned.recent[k]
            terms += [
                ("faults calibrated on", horizon, float(learned.later_faults[k]), learned.calibrations[k].method),
                ("doubt", horizon, float(learned.doubt[k]), "spread of log odds between past weeks beyond chance"),
                ("recent observed/expected", horizon, ratio, "faults in the newest weeks judged, by those forecast"),
                ("recent observed/expected, low", horizon, low, "90 % interval"),
                ("recent observed/expected, high", horizon, high, "90 % interval"),
            ]
            terms += [
                (f"weight {name}", horizon, float(weight), "logistic weight a standard deviation")
                for hazard in (learned.hazards.logistic[k],)
                if hazard is not None
                for name, weight in zip(names, hazard.weights[1:], strict=True)
            ]
    return pl.DataFrame(terms, schema=MODEL_SCHEMA, orient="row")


def _references(past: Past, features: Features) -> dict[str, Float64s]:
    """Logistic forecasts from one figure each, learned from the same past, [n, 3]."""
    place = {"leeway_alone": past.features.names.index("leeway used")}
    place["largest_deviation"] = past.features.names.index("largest deviation")
    found = {}
    for name, column in place.items():
        forecast = np.empty((len(features.values), len(HORIZONS)))
        for k in range(len(HORIZONS)):
            weight, fault = past.known_by(past.now, k)
            rows, faults = weight > 0, past.distinct_faults(weight * fault)
            if not faults:
                forecast[:, k] = 1 - np.exp(-past.prior.rate * HORIZONS[k] / 365.25)
                continue
            hazard = learn_logistic(
                past.features.values[rows][:, [column]], fault[rows], weight[rows],
                rising=np.array([1]), faults=faults,
            )  # fmt: skip
            forecast[:, k] = hazard.predict(features.values[:, [column]])
        found[name] = np.maximum.accumulate(forecast, axis=1)
    return found
