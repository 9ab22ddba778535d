"""Stage `forecast`: drift, outliers and history in; chances of a fault in 7, 30, 90 days out.

What is forecast is a *new* fault event. Where a fault stands already, the corrections that set it no longer count:
their code can't be set anew before it is gone. The vehicle's other corrections do, and the standing fault itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.forecast.agreement import disagreements, followed, followed_by, followed_terms
from pipelines.forecast.base_models import BASE_MODELS
from pipelines.forecast.family_scales import FamilyScales
from pipelines.forecast.features import Features, features_of
from pipelines.forecast.learners import LinearHazard, Signs, learn_linear
from pipelines.forecast.likely_code import Counts, counts_of, likely_codes
from pipelines.forecast.origins import Origins, origins_at
from pipelines.forecast.outcomes import Record, days, record_of
from pipelines.forecast.past import Past, past_of
from pipelines.forecast.prior import PriorHazard
from pipelines.forecast.stacked_hazard import StackedHazard, learn_hazard
from pipelines.forecast.stored import restored, stored_terms
from pipelines.forecast.time_grid import HORIZONS, within_horizons
from pipelines.handover import Drift, Evidence, Float64s, Forecast, History, Outliers
from pipelines.history.fault_memory import remembered_codes
from pipelines.history.since_reading import SinceReading, since_reading
from pipelines.in_service import in_service
from pipelines.settings import Settings

# The simpler methods that a backtest holds the forecast against, and the feature that each rests on alone; definition.
REFERENCES = {"leeway_alone": "leeway used", "largest_deviation": "largest deviation"}
MODEL_SCHEMA = {"term": pl.String, "horizon_days": pl.Int64, "value": pl.Float64, "meaning": pl.String}


@dataclass(frozen=True, kw_only=True)
class UsualOfFamilies:
    """scales: By family, its centres and spreads. codes: How often each family set each code."""

    scales: Mapping[str, FamilyScales]
    codes: Counts

    @classmethod
    def of(cls, drift: Drift, history: History) -> "UsualOfFamilies":
        """As these vehicles show it."""
        read = [family for family in drift.families if len(family.panel.read_at) and family.panel.codes]
        scales = {family.panel.family: FamilyScales.of(family) for family in read}
        return cls(scales=scales, codes=counts_of(history))

    def with_others(self, drift: Drift, history: History) -> "UsualOfFamilies":
        """With families that nobody showed before."""
        new = [family for family in drift.families if family.panel.family not in self.scales]
        if not new:
            return self
        beside = UsualOfFamilies.of(replace(drift, families=tuple(new)), history)
        codes = {key: count for key, count in beside.codes.items() if key[0] in beside.scales}
        return UsualOfFamilies(scales={**self.scales, **beside.scales}, codes={**self.codes, **codes})


@dataclass(frozen=True, kw_only=True)
class Forecasts:
    """The forecast and, for its backtest, what simpler methods learned from the same past would say.

    Attributes:
        forecast: The published forecast.
        known: What was learned, for other vehicles.
        references: `vehicle_id, horizon_days, last_read_days, leeway_alone, largest_deviation`.
    """

    forecast: Forecast
    known: "KnownForecast"
    references: pl.DataFrame


@dataclass(frozen=True, kw_only=True)
class KnownForecast:
    """What was learned of a fleet's faults, as other vehicles of it are forecast by it.

    Attributes:
        prior: The forecast without learning.
        model: `Forecast.model`.
        learned: Whether that holds a learned forecast; else the prior forecasts.
        words: What the figures rest on.
        followed: What followed where a limit was near; see `agreement.followed`.
        references: Hazards of one figure each, `REFERENCES`; None: no fault tells one.
        usual: Of families.
    """

    prior: PriorHazard
    model: pl.DataFrame
    learned: bool
    words: str
    followed: tuple[float, int] | None
    references: Mapping[str, LinearHazard | None]
    usual: UsualOfFamilies


def forecast_faults(
    drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History, settings: Settings
) -> Forecast:
    """Probability of at least one new fault event per vehicle in service and horizon, if nothing is repaired before."""
    return forecast_with_references(drift, outliers, evidence=evidence, history=history, settings=settings).forecast


def forecast_with_references(
    drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History, settings: Settings
) -> Forecasts:
    """As `forecast_faults`, with forecasts from least leeway alone and from the largest deviation alone beside it."""
    usual = UsualOfFamilies.of(drift, history)
    today = _today(drift, outliers, usual, evidence=evidence, history=history)
    past = past_of(
        drift, outliers, today.record, today.now, evidence=evidence, history=history, seed=settings.seed,
        scales=usual.scales,
    )  # fmt: skip
    learned = learn_hazard(past)
    known = KnownForecast(
        prior=past.prior, model=model_terms(past, learned), learned=learned is not None, words=basis(past, learned),
        followed=followed(past), references=_learn_references(past), usual=usual,
    )  # fmt: skip
    return _forecasts(known, learned, today, drift)


def forecast_as_known(
    known: KnownForecast, drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History
) -> Forecasts:
    """The forecast of other vehicles than those that `known` was learned of."""
    usual = known.usual.with_others(drift, history)
    today = _today(drift, outliers, usual, evidence=evidence, history=history)
    learned = restored(known.model, today.features) if known.learned else None
    return _forecasts(known, learned, today, drift)


def _forecasts(known: KnownForecast, learned: StackedHazard | None, today: "_Today", drift: Drift) -> Forecasts:
    figures = _figures(known.prior, learned, today.features)
    frame = _frame(today, figures, known.words, _references(known, today.features))
    frame = _agreed(frame, drift, today.evidence, known.followed)
    return Forecasts(
        forecast=Forecast(fault_forecast=_contract(frame), model=known.model),
        known=known,
        references=frame.select("vehicle_id", "horizon_days", "last_read_days", *REFERENCES),
    )


def _figures(
    prior: PriorHazard, learned: StackedHazard | None, features: Features
) -> tuple[Float64s, Float64s, Float64s]:
    """(probability, low, high), each [n, 3]."""
    return learned.forecast(features) if learned else (prior.probabilities(features), *prior.interval(features))


def forecast_by_stored_model(
    model: pl.DataFrame, drift: Drift, outliers: Outliers, *, evidence: Evidence, history: History
) -> Forecast:
    """The forecast of a new week by a model learned before (`Forecast.model`), in seconds.

    Raises:
        StoredModelError: the model was not learned: too few faults, or rows of something else.
    """
    usual = UsualOfFamilies.of(drift, history)
    today = _today(drift, outliers, usual, evidence=evidence, history=history)
    learned = restored(model, today.features)
    words = f"{learned_basis(learned)}, by the model of an earlier week"
    frame = _agreed(_frame(today, learned.forecast(today.features), words, {}), drift, evidence, followed_by(model))
    return Forecast(fault_forecast=_contract(frame), model=model)


@dataclass(frozen=True, kw_only=True)
class _Today:
    """Every vehicle that had a reading, as it stands now."""

    now: float
    evidence: Evidence
    record: Record
    origins: Origins
    features: Features
    codes: list[str | None]
    remarks: dict[str, str]  # by vehicle: what its forecast does not rest on


def _today(
    drift: Drift, outliers: Outliers, usual: UsualOfFamilies, *, evidence: Evidence, history: History
) -> _Today:  # fmt: skip
    record = record_of(evidence, history)
    now = float(days(pl.Series([evidence.as_of.replace(tzinfo=None)]))[0])
    here = origins_at(drift, record, np.array([now]))
    since = since_reading(evidence)
    features = features_of(
        here, drift, outliers, record, evidence=evidence, history=history, since=since, scales=usual.scales
    )
    codes = likely_codes(here, features, drift, evidence=evidence, counts=usual.codes)
    return _Today(
        now=now,
        evidence=evidence,
        record=record,
        origins=here,
        features=features,
        codes=codes,
        remarks=_remarks(evidence, history, since),
    )


def _remarks(evidence: Evidence, history: History, since: SinceReading) -> dict[str, str]:
    """What the forecast of single vehicles leaves out, as the end of a sentence: work since, codes that stand."""
    remarks = {
        vehicle: f"; {words[:1].lower()}{words[1:]}: what that work was about is left out"
        for vehicle, words in since.words(evidence.as_of).items()
    }
    codes = remembered_codes(evidence, history.fault_events, since).filter(pl.col("fate") == "stands")
    standing = codes.group_by("vehicle_id", maintain_order=True).agg(pl.col("code").str.join(", "), many=pl.len())
    for vehicle, named, many in standing.iter_rows():
        words = "stands already and is" if many == 1 else "stand already and are"
        remarks[vehicle] = f"{remarks.get(vehicle, '')}; {named} {words} not counted: only what is new"
    return remarks


def _frame(
    today: _Today, figures: tuple[Float64s, Float64s, Float64s], words: str, beside: dict[str, Float64s]
) -> pl.DataFrame:
    """One row for each vehicle in service and horizon, with the columns of the contract and those beside it."""
    ids = pl.Series(sorted(today.record.number), dtype=pl.String).gather(today.origins.vehicle)
    named = zip(("probability", "low", "high"), figures, strict=True)
    frame = pl.DataFrame(
        {
            "vehicle_id": pl.concat([ids] * len(HORIZONS)) if len(ids) else ids,
            "horizon_days": np.repeat(HORIZONS, len(ids)),
            **{name: part.T.ravel() for name, part in named},
            "likely_code": pl.Series(today.codes * len(HORIZONS), dtype=pl.String),
            "basis": pl.Series([words + today.remarks.get(name, "") for name in ids] * len(HORIZONS), dtype=pl.String),
            "last_read_days": np.tile(today.origins.read, len(HORIZONS)),
            **{name: part.T.ravel() for name, part in beside.items()},
        }
    )
    service = in_service(today.evidence.vehicles, today.evidence.as_of)
    return frame.join(service, on="vehicle_id", how="semi").sort("vehicle_id", "horizon_days")


def _agreed(frame: pl.DataFrame, drift: Drift, evidence: Evidence, seen: tuple[float, int] | None) -> pl.DataFrame:
    """The frame, its basis with why chance and limit date differ where they do."""
    titles = dict(evidence.corrections.select("code", "title").drop_nulls().iter_rows())
    codes = pl.concat_str(pl.col("fault_low", "fault_high").fill_null(""))
    uncoded = evidence.corrections.filter(codes == "")["code"].to_list()
    words = disagreements(drift.correction_state, frame, titles, as_of=evidence.as_of, seen=seen, without_code=uncoded)
    why = pl.col("vehicle_id").replace_strict(words, default="", return_dtype=pl.String)
    return frame.with_columns(basis=pl.col("basis") + why)


def _contract(frame: pl.DataFrame) -> pl.DataFrame:
    columns = published_tables()["fault_forecast"].schema
    return frame.select([pl.col(name).cast(dtype) for name, dtype in columns.items()])


def basis(past: Past, learned: StackedHazard | None) -> str:
    """What the figures rest on, in words."""
    prior = past.prior
    if learned is None:
        return (
            f"first passage of the limits, and a prior rate of {prior.rate:.2g} faults a vehicle-year "
            f"(too few faults to learn from: {past.distinct_faults(past.watched(past.now)[1].sum(axis=1) > 0)} in "
            f"{prior.vehicle_years:.0f} vehicle-years)"
        )
    return learned_basis(learned)


def learned_basis(learned: StackedHazard) -> str:
    """What a learned forecast rests on, in words."""
    return (
        f"learned from {learned.faults} faults of this fleet (hazards of the leeway, of the limits together and each "
        f"by itself, of all signs and of the newest readings, with the first passage of the limits), weighed and "
        f"calibrated on other vehicles and on {learned.later_faults} later ones"
    )


def model_terms(past: Past, learned: StackedHazard | None) -> pl.DataFrame:
    """What the forecast learned, as rows of `term, horizon_days, value, meaning`."""
    terms: list[tuple[str, int | None, float, str]] = [
        ("prior rate", None, past.prior.rate, "faults a vehicle-year that no first passage announced"),
        ("vehicle-years", None, past.prior.vehicle_years, "watched so far"),
        ("faults", None, float(learned.faults if learned else past.prior.faults), "distinct faults learned from"),
    ]
    terms.append(
        ("faults never read", None, float(past.unread), "cleared in the workshop before a reading showed them")
    )
    terms += followed_terms(followed(past))
    if learned is not None:
        ratio, low, high = learned.recent
        terms += [
            ("faults calibrated on", None, float(learned.later_faults), "distinct, later than those learned from"),
            ("doubt", None, learned.doubt, "spread of the log of the level of faults between quarters beyond chance"),
            ("recent observed/expected", None, ratio, "faults of the newest quarter judged, by those forecast"),
            ("recent observed/expected, low", None, low, "90 % interval"),
            ("recent observed/expected, high", None, high, "90 % interval"),
            ("level", None, learned.level, "factor on every hazard for it"),
        ]
        terms += [
            (f"loss {name}", None, loss, "log loss on other vehicles and later weeks, in shares of the base rate's")
            for name, loss in learned.losses.items()
        ]
        terms += [
            (f"share {name}", None, float(share), "weight of a base model's log hazard in the forecast")
            for name, share in zip(BASE_MODELS, learned.stacking.weights, strict=True)
        ]
        names = (*past.features.names, "way of failing", "worsening", "risk of the leading correction")
        terms += [
            (f"weight {name}", horizon, float(weight), "weight on the log hazard, a standard deviation")
            for horizon, row in zip(HORIZONS, learned.base_models.all.now, strict=True)
            for name, weight in zip(names, row, strict=True)
        ]
        terms += stored_terms(learned, past.features)
    return pl.DataFrame(terms, schema=MODEL_SCHEMA, orient="row")


def _learn_references(past: Past) -> dict[str, LinearHazard | None]:
    """Hazards from one figure each, by the same likelihood; None: no fault tells one."""
    days, faults = past.watched(past.now)
    rows, distinct = days.sum(axis=1) > 0, past.distinct_faults(faults.sum(axis=1) > 0)
    if not distinct:
        return dict.fromkeys(REFERENCES)
    then = past.features.take(rows)
    return {
        name: learn_linear(_of_figure(then, figure), days[rows], faults[rows], distinct=distinct, belief=1.0)
        for name, figure in REFERENCES.items()
    }


def _references(known: KnownForecast, features: Features) -> dict[str, Float64s]:
    """Forecasts from one figure each, [n, 3]."""
    unknowing = 1 - np.exp(-known.prior.rate * np.array(HORIZONS) / 365.25)
    return {
        name: np.broadcast_to(unknowing, (len(features.values), len(HORIZONS)))
        if hazard is None
        else within_horizons(np.exp(hazard.log_hazard(_of_figure(features, REFERENCES[name]))))
        for name, hazard in known.references.items()
    }


def _of_figure(features: Features, name: str) -> Signs:
    column = features.names.index(name)
    return Signs(now=features.values[:, [column]], rising=np.array([1]), ahead=features.ahead[:, :, :0])
