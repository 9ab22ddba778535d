"""What each vehicle most likely has: drift and fault events in, the contract's `cause_ranking` out; no file, no clock.

Each family is one product of matrices: vehicles against every cause at every place (`hypotheses`), scored by how well
its signature of unknown severity explains the newest deviations (`severity`), by stored codes (`standing_codes`) and
by how common it is (`priors`). 'None of these' is what is healthy or moves in a way that no cause explains.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.bayes_factors import Pattern, of_vehicles
from pipelines.causes.check_results import by_vehicle, check_results, log_result_ratios
from pipelines.causes.confirmed import Learned, cases_of, confirmed_work, learned
from pipelines.causes.departures import Departures, HealthNow, base_rows, departures
from pipelines.causes.drivers import driven, drivers, outside
from pipelines.causes.evidence_words import Findings, cause_evidence, none_evidence
from pipelines.causes.freeze_frames import Frame, frames, log_frame_ratios
from pipelines.causes.hypotheses import Hypothesis, engine_layout, hypotheses
from pipelines.causes.posterior import log_joint, looked_at, probabilities, second_causes, signatures_of
from pipelines.causes.priors import DEFECT_PRESENT, NO_FAULT_SHARE, cause_priors, shares_beyond
from pipelines.causes.shape import log_scatter_growth, log_scatter_ratio, log_step_ratio
from pipelines.causes.shared import depots_words, parted_from_depots, with_depots_heard
from pipelines.causes.standing_codes import log_code_ratios, speaking_codes
from pipelines.handover import Drift, Evidence, FamilyDrift, Float64s, History, Int64s
from pipelines.history.since_reading import SinceReading, since_reading
from pipelines.in_service import in_service

LIKELY = 0.5  # from which a second cause is named
WORTH_SHOWING = 0.005  # probability below which a cause joins 'none of these'
NONE = "none_of_these"


@dataclass(frozen=True, kw_only=True)
class UsualCauses:
    """Prior probability of each cause on a vehicle, and shares of other causes and of none among what was confirmed."""

    priors: Mapping[str, float]
    other: float
    no_fault: float


def usual_causes(evidence: Evidence) -> UsualCauses:
    """How usual each cause is in a fleet, by its work."""
    other, no_fault = shares_beyond(evidence.work)
    return UsualCauses(priors=cause_priors(evidence.work, evidence.vehicles), other=other, no_fault=no_fault)


def learn_causes(drift: Drift, evidence: Evidence, usual: UsualCauses | None = None) -> Learned:
    """What the fleet's confirmed repairs teach of the causes, from the readings before them.

    Args:
        drift: Deviations of every family.
        evidence: Catalogue, families and confirmed repairs.
        usual: How usual causes are; None: by the work of this evidence.
    """
    confirmed = confirmed_work(evidence.work)
    if confirmed.is_empty():
        return Learned()
    usual = usual or usual_causes(evidence)
    cases = []
    for family in drift.families:
        laid_out = _laid_out(family, evidence)
        log_prior = np.log([usual.priors[h.cause.id] * h.prior for h in laid_out])
        unknown = DEFECT_PRESENT * usual.other
        cases.append(cases_of(family, laid_out, confirmed, log_prior=log_prior, unknown=unknown))
    return learned(cases, confirmed)


def rank_causes(
    drift: Drift, *, evidence: Evidence, history: History, taught: Learned | None = None,
    usual: UsualCauses | None = None,
) -> pl.DataFrame:  # fmt: skip
    """The contract's `cause_ranking` for every vehicle in service, all learned of these."""
    return ranked_and_health(drift, evidence=evidence, history=history, taught=taught, usual=usual)[0]


def ranked_and_health(
    drift: Drift, *, evidence: Evidence, history: History, taught: Learned | None = None,
    usual: UsualCauses | None = None, healthy: Mapping[str, HealthNow] = MappingProxyType({}),
) -> tuple[pl.DataFrame, dict[str, HealthNow]]:  # fmt: skip
    """The contract's `cause_ranking` for every vehicle in service, and by family what they were held against.

    Args:
        drift: Deviations of every family; the newest row of each vehicle speaks.
        evidence: Catalogue, families, confirmed repairs and results of checks; what was worked on since the newest
            reading is not heard.
        history: Fault events.
        taught: What confirmed repairs teach of the signatures; None: nothing.
        usual: How usual causes are; None: by the work of this evidence.
        healthy: By family what other vehicles of it showed; of all others these show it.

    Returns:
        One row per vehicle, cause, bank and cylinder with a probability above WORTH_SHOWING, and `none_of_these`,
        which takes the rest; probabilities sum to 1 a vehicle, rank 1 is the likeliest.
    """
    since = since_reading(evidence)
    usual = usual or usual_causes(evidence)
    spoken = speaking_codes(history.fault_events, evidence.as_of).join(
        since.codes, on=["vehicle_id", "code"], how="anti"
    )
    fleet = _Fleet(
        evidence=evidence,
        spoken=spoken,
        priors=usual.priors,
        unknown=DEFECT_PRESENT * usual.other,
        odd=usual.no_fault / NO_FAULT_SHARE,
        since=since,
        found=by_vehicle(check_results(evidence)),
        frames=frames(evidence.faults, spoken),
        taught=taught or Learned(),
    )
    moved = drift.extras.get("drift_moved")
    rows, held = list[dict[str, object]](), dict[str, HealthNow]()
    for family in drift.families:
        now = departures(family, moved, healthy.get(family.panel.family))
        held[family.panel.family] = now.health
        rows += _rank_family(family, fleet, now)
    serving = in_service(evidence.vehicles, evidence.as_of).select("vehicle_id")
    schema = published_tables()["cause_ranking"].schema
    ranked = pl.DataFrame(rows, schema={name: schema[name] for name in schema if name != "rank"})
    unread = serving.join(ranked, on="vehicle_id", how="anti").with_columns(
        cause=pl.lit(NONE), probability=pl.lit(1.0), evidence=pl.lit("No correction of this vehicle was read yet.")
    )
    table = (
        pl.concat([ranked.join(serving, on="vehicle_id", how="semi"), unread], how="diagonal")
        .sort("vehicle_id", "probability", "cause", "bank", "cylinder", descending=[False, True, False, False, False])
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("vehicle_id"))
        .select(schema.names())
    )
    return table, held


@dataclass(frozen=True, kw_only=True)
class _Fleet:
    """What holds for all families of a fleet."""

    evidence: Evidence
    spoken: pl.DataFrame
    priors: Mapping[str, float]
    unknown: float
    odd: float
    since: SinceReading
    found: Mapping[str, Sequence[tuple[str, str]]]
    frames: Mapping[str, Sequence[Frame]]
    taught: Learned


def _laid_out(family: FamilyDrift, evidence: Evidence) -> tuple[Hypothesis, ...]:
    codes = family.panel.codes
    catalogue = evidence.corrections.filter(pl.col("code").is_in(codes))
    return hypotheses(codes, engine_layout(evidence.families, family.panel.family, catalogue))


def _rank_family(family: FamilyDrift, fleet: _Fleet, now: Departures) -> list[dict[str, object]]:
    panel = family.panel
    catalogue = fleet.evidence.corrections.filter(pl.col("code").is_in(panel.codes))
    laid_out = _laid_out(family, fleet.evidence)
    log_prior = np.log([fleet.priors[h.cause.id] * h.prior for h in laid_out])
    scatters = np.where(fleet.since.left_out(panel.vehicles, panel.codes), np.nan, now.pattern.scatters)
    code_ratio, codes = log_code_ratios(panel.vehicles, fleet.spoken, laid_out)
    told = code_ratio + log_result_ratios(panel.vehicles, fleet.found, laid_out)
    told += log_frame_ratios(panel.vehicles, fleet.frames, laid_out)
    struck, pattern = parted_from_depots(
        replace(now.pattern, scatters=scatters), now.shared, panel.depot[panel.row_start[1:] - 1], laid_out,
        log_prior=log_prior, unknown=fleet.unknown,
    )  # fmt: skip
    known = np.asarray(told.any(axis=1)) | (now.alarmed & ~np.isnan(scatters).all(axis=1))
    looked = np.flatnonzero(looked_at(pattern, known))
    shares = np.zeros((len(scatters), len(laid_out) + 1))
    shares[:, -1] = 1.0
    beside: dict[int, tuple[Hypothesis, float]] = {}
    drives = np.zeros((0, 2))
    if len(looked) and laid_out:
        seen = of_vehicles(pattern, looked)
        signatures = signatures_of(laid_out, spread=[fleet.taught.spread.get(h.cause.id, 1.0) for h in laid_out])
        spoken_for = told[looked] > 0  # by a code or a check; how it moves names no cause that nothing shows
        shape, drives = _shape_told(now.recent, pattern, looked, laid_out, fleet.evidence.snapshots)
        log_told = told[looked] + shape
        joint = log_joint(
            seen, signatures, log_prior=log_prior, log_told=log_told, alarmed=now.alarmed[looked],
            unknown=fleet.unknown, odd=fleet.odd,
        )  # fmt: skip
        heard = ~np.isnan(seen.scatters) @ np.array([h.named for h in laid_out]).T
        joint[:, :-1][~heard & ~spoken_for] = -np.inf
        joint = with_depots_heard(
            joint, struck[looked], log_prior=log_prior, told=told[looked], known=known[looked]
        )  # fmt: skip
        shares[looked] = probabilities(joint)
        second = partial(second_causes, signatures=signatures, log_prior=log_prior, unknown=fleet.unknown)
        beside = {int(looked[v]): (laid_out[k], p) for v, (k, p) in _beside(seen, shares[looked], second).items()}
    titles, units = (dict(catalogue.select("code", name).iter_rows()) for name in ("title", "unit"))
    findings = Findings(
        codes=panel.codes,
        titles=titles,
        units=units,
        depots=depots_words(panel, now, struck, titles=titles, units=units),
        z=np.where(np.isnan(scatters), np.nan, now.sigmas),
        deviation=now.deviation,
        remarks=fleet.since.words(fleet.evidence.as_of),
        beside=beside,
        checked=fleet.found,
        frames=fleet.frames,
        drives=dict(zip(looked.tolist(), drives, strict=False)),
        laid_out=laid_out,
        taught=fleet.taught,
    )
    return ranking_rows(panel.vehicles, laid_out, shares, findings, codes)


def _shape_told(
    recent: FamilyDrift, pattern: Pattern, looked: Int64s, laid_out: Sequence[Hypothesis], snapshots: pl.DataFrame
) -> tuple[Float64s, Float64s]:
    """What scatter, shape and drivers of what departs say of each hypothesis, against none of the causes.

    Args:
        recent: The family with the newest rows of each vehicle alone.
        pattern: What departs.
        looked: Vehicles.
        laid_out: K hypotheses.
        snapshots: The drop table.

    Returns:
        [looked, K], and the drivers alone: [looked, 2].
    """
    growth = log_scatter_growth(recent, looked)
    growth[np.isnan(pattern.scatters[looked])] = np.nan
    scatter = log_scatter_ratio(growth, np.array([h.scatter for h in laid_out]))
    leading = np.abs(np.nan_to_num(pattern.scatters[looked])).argmax(axis=1)
    step = log_step_ratio(recent, leading, looked)[:, None]
    sudden = np.log([h.cause.sudden for h in laid_out])
    slow = np.log1p(-np.exp(sudden))
    since_base = drivers(recent, looked, leading, base_rows(recent), outside(recent, looked, snapshots))
    told: Float64s = (
        driven(since_base, [h.cause for h in laid_out])
        + scatter
        + np.logaddexp(sudden + step, slow)
        - np.logaddexp(np.log(0.5) + step, np.log(0.5))
    )
    return told, since_base


def _beside(
    pattern: Pattern, shares: Float64s, second: Callable[[Pattern, Int64s], tuple[Int64s, Float64s]]
) -> dict[int, tuple[int, float]]:
    """By vehicle: a second cause that is likelier than not beside the leading one, and its probability."""
    leading = shares[:, :-1].argmax(axis=1)
    ill = np.flatnonzero(shares[np.arange(len(shares)), leading] > shares[:, -1])
    if not len(ill):
        return {}
    best, chance = second(of_vehicles(pattern, ill), leading[ill])
    return {int(v): (int(k), float(p)) for v, k, p in zip(ill, best, chance, strict=True) if p > LIKELY}


def ranking_rows(
    vehicles: tuple[str, ...],
    laid_out: tuple[Hypothesis, ...],
    posterior: Float64s,
    findings: Findings,
    codes: dict[str, list[str]],
) -> list[dict[str, object]]:
    """Variants and hidden places summed into what is reported, small ones into 'none of these', with their words."""
    reported = sorted({_reported(h) for h in laid_out}, key=str)
    member = np.zeros((len(laid_out), len(reported)))
    for k, hypothesis in enumerate(laid_out):
        member[k, reported.index(_reported(hypothesis))] = 1.0
    probability = posterior[:, :-1] @ member
    best = np.array([np.where(member[:, j] > 0, posterior[:, :-1], -1.0).argmax(axis=1) for j in range(len(reported))])
    rows: list[dict[str, object]] = []
    for v, vehicle in enumerate(vehicles):
        shown = [int(j) for j in np.argsort(-probability[v], kind="stable") if probability[v, j] > WORTH_SHOWING]
        leaders = [(laid_out[best[j, v]], float(probability[v, j])) for j in shown]
        seen = codes.get(vehicle, [])
        for hypothesis, share in leaders:
            text = cause_evidence(hypothesis, leaders, findings=findings, vehicle=v, vehicle_id=vehicle, codes=seen)
            rows.append(_row(vehicle, _reported(hypothesis), probability=share, evidence=text))
        rest = max(1.0 - sum(share for _, share in leaders), 0.0)
        words = none_evidence(findings, v, seen, leaders)
        if vehicle in findings.remarks:
            words = f"{findings.remarks[vehicle]}: what that work was about is left out. {words}"
        rows.append(_row(vehicle, (NONE, None, None), probability=rest, evidence=words))
    return rows


def _reported(hypothesis: Hypothesis) -> tuple[str, int | None, int | None]:
    return hypothesis.cause.id, hypothesis.bank, hypothesis.cylinder


def _row(
    vehicle: str, place: tuple[str, int | None, int | None], *, probability: float, evidence: str
) -> dict[str, object]:
    cause, bank, cylinder = place
    return {
        "vehicle_id": vehicle,
        "cause": cause,
        "bank": bank,
        "cylinder": cylinder,
        "probability": probability,
        "evidence": evidence,
    }
