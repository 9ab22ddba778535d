"""The order of the stages, stated once; reading this is reading the method. Frames in, published tables out.

Each stage learns small things of groups of vehicles, and applies them to each vehicle by itself; its package says what.
`of_vehicles` is what is done for some vehicles, whether what holds for their families is learned of them or was learned
of others before; `of_fleet` is what needs all of them, and no readings. A fleet in one part is both in turn; how a
large one is parted, and who works on which part, stands in `parts/`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import polars as pl

from pipelines.causes.check_results import by_vehicle, check_results
from pipelines.causes.confirmed import Learned as ConfirmedCauses
from pipelines.causes.departures import HealthNow
from pipelines.causes.next_check import next_checks
from pipelines.causes.ranking import UsualCauses, learn_causes, ranked_and_health, usual_causes
from pipelines.causes.settled_changes import with_causes_heard
from pipelines.drift.learned import Learned as LearnedBands
from pipelines.drift.stage import straying_and_learned
from pipelines.first_stages import FromTheFirstReading, Progress, first_stages
from pipelines.forecast.hazard import Forecasts, KnownForecast, forecast_as_known, forecast_with_references
from pipelines.handover import Analysis, Drift, Evidence, History, Outliers, Panel
from pipelines.history.learned import Learned as LearnedPast
from pipelines.history.reconstruct import reconstructed_and_learned
from pipelines.history.records import with_all_traces
from pipelines.large_tables import Table, empty, select
from pipelines.outliers.stage import Judge, Peers, learn_peers, of_families, unlike_peers
from pipelines.recurring.seen import Seen
from pipelines.recurring.shifts import calibration_shifts
from pipelines.recurring.stage import READINGS_SEEN, STATES_SEEN, recurring
from pipelines.settings import Settings
from pipelines.workplan.urgency import vehicle_states


class FirstLearned(NamedTuple):
    """What the stages history, and bands and drift, learned."""

    past: LearnedPast
    bands: LearnedBands


@dataclass(frozen=True, kw_only=True)
class Known:
    """What holds for a fleet's vehicles, learned of some of them.

    usual: How usual causes are. first: What the first stages learned. peers: What outliers did. causes: What confirmed
    repairs teach. healthy: What causes held vehicles against. forecast: The hazard of faults.
    """

    usual: UsualCauses
    first: FirstLearned
    peers: dict[str, tuple[Peers, Judge]]
    causes: ConfirmedCauses
    healthy: dict[str, HealthNow]
    forecast: KnownForecast


@dataclass(frozen=True, kw_only=True)
class Part:
    """Some vehicles, analysed.

    tables: Published rows of these vehicles, and what was learned of them for their families. seen: What their readings
    say for what is compared. traces: Of `History`.
    """

    tables: dict[str, pl.DataFrame]
    seen: Seen
    traces: dict[str, pl.DataFrame]


def analyse(evidence: Evidence, *, settings: Settings, progress: Progress = lambda _stage: None) -> Analysis:
    """Every published table as of `evidence.as_of`, from that evidence alone.

    Args:
        evidence: What was known at that time, without what the stage `held` took out of it when it was read.
        settings: The user's settings, with the seed.
        progress: Called with each stage's name as it begins.
    """
    part, _ = of_vehicles(evidence, usual=usual_causes(evidence), settings=settings, progress=progress)
    return of_fleet([part], dict(part.tables), evidence, settings=settings, progress=progress)


def of_vehicles(
    evidence: Evidence,
    *,
    usual: UsualCauses,
    settings: Settings,
    known: Known | None = None,
    progress: Progress = lambda _stage: None,
) -> tuple[Part, Known]:
    """What is found of some vehicles, and what is known of their families after it.

    Args:
        evidence: Of these vehicles.
        usual: How usual causes are in the whole fleet.
        settings: The user's settings, with the seed.
        known: What was learned of other vehicles of their families; None: it is learned of these.
        progress: Called with each stage's name as it begins.
    """
    begun = _begun(evidence, settings, known, progress)
    history, drift, outliers = begun.history, begun.drift, begun.outliers
    progress("causes")
    taught = known.causes if known else learn_causes(drift, evidence, usual)
    cause_ranking, healthy = ranked_and_health(
        drift, evidence=evidence, history=history, taught=taught, usual=usual, healthy=known.healthy if known else {}
    )
    drift = with_causes_heard(drift, cause_ranking, evidence=evidence)
    progress("forecast")
    made = _forecasts(drift, outliers, evidence, history, settings, known=known.forecast if known else None)
    forecast = made.forecast
    progress("repairs")
    noise = {name: health.now for name, health in healthy.items()}
    seen = Seen.of(drift, evidence=evidence, history=history, noise=noise)
    progress("states")
    tables = {
        "correction_state": drift.correction_state,
        "vehicle_state": vehicle_states(
            drift.correction_state,
            outliers.scores,
            cause_ranking,
            forecast.fault_forecast,
            evidence=evidence,
            history=history,
        ),
        "outlier_reason": outliers.reasons,
        "fault_forecast": forecast.fault_forecast,
        "cause_ranking": cause_ranking,
        "next_check": next_checks(cause_ranking, by_vehicle(check_results(evidence))),
        "outlier_check": outliers.scores,
        "fault_event": history.fault_events,
        "learning_epoch": history.epochs,
        "record_notice": history.notices,
        "reading_clock": history.readings,
        **drift.extras,
    }
    if not known:
        tables |= {"cause_confirmed": taught.table(), "forecast_model": forecast.model}
    before = known.first.bands.families if known else {}  # what they taught is told where it was learned
    tables["drift_moved"] = tables["drift_moved"].filter(~pl.col("engine_family").is_in(list(before)))
    tables["calibration_shift"] = calibration_shifts(drift, seed=settings.seed, without=before)
    after = Known(
        usual=usual, first=begun.first, peers=begun.peers, causes=taught, healthy=healthy, forecast=made.known
    )
    return Part(tables=tables, seen=seen, traces=history.traces), after


def _forecasts(
    drift: Drift, outliers: Outliers, evidence: Evidence, history: History, settings: Settings, *,
    known: KnownForecast | None,
) -> Forecasts:  # fmt: skip
    if known:
        return forecast_as_known(known, drift, outliers, evidence=evidence, history=history)
    return forecast_with_references(drift, outliers, evidence=evidence, history=history, settings=settings)


def states_of(
    evidence: Evidence,
    *,
    settings: Settings,
    known: FirstLearned | None = None,
    ranked_before: pl.DataFrame | None = None,
    progress: Progress = lambda _stage: None,
) -> tuple[pl.DataFrame, FirstLearned]:
    """The `correction_state` of some vehicles alone, and what is known of their families after it.

    Args:
        evidence: Of these vehicles.
        settings: The user's settings.
        known: As for `of_vehicles`.
        ranked_before: The `cause_ranking` of the last analysis, which is heard; None: none is kept.
        progress: Called with each stage's name as it begins.
    """
    stages = _Taught(known=known)
    _, drift = first_stages(evidence, settings=settings, progress=progress, by=stages)
    heard = drift if ranked_before is None else with_causes_heard(drift, ranked_before, evidence=evidence)
    return heard.correction_state, stages.learned


@dataclass(frozen=True, kw_only=True)
class KnownToForecast:
    """What of `Known` a forecast needs."""

    first: FirstLearned
    peers: dict[str, tuple[Peers, Judge]]
    forecast: KnownForecast


def forecasts_of(
    evidence: Evidence,
    *,
    settings: Settings,
    known: KnownToForecast | None = None,
    progress: Progress = lambda _stage: None,
) -> tuple[Forecasts, KnownToForecast]:
    """The forecast of some vehicles alone, with those of simpler methods, and what is known after it.

    Args:
        evidence: Of these vehicles.
        settings: The user's settings.
        known: As for `of_vehicles`.
        progress: Called with each stage's name as it begins.
    """
    begun = _begun(evidence, settings, known, progress)
    progress("forecast")
    forecast = known.forecast if known else None
    made = _forecasts(begun.drift, begun.outliers, evidence, begun.history, settings, known=forecast)
    return made, KnownToForecast(first=begun.first, peers=begun.peers, forecast=made.known)


class _Begun(NamedTuple):
    """What the stages before the causes give, and what is known after them."""

    history: History
    drift: Drift
    outliers: Outliers
    first: FirstLearned
    peers: dict[str, tuple[Peers, Judge]]


def _begun(evidence: Evidence, settings: Settings, known: Known | KnownToForecast | None, progress: Progress) -> _Begun:
    stages = _Taught(known=known.first if known else None)
    history, drift = first_stages(evidence, settings=settings, progress=progress, by=stages)
    progress("outliers")
    peers = learn_peers(drift, evidence=evidence, settings=settings, known=known.peers if known else {})
    outliers = unlike_peers(drift, evidence=evidence, settings=settings, learned=peers)
    return _Begun(history, drift, outliers, stages.learned, of_families(peers))


def of_fleet(
    parts: Sequence[Part],
    tables: dict[str, Table],
    evidence: Evidence,
    *,
    settings: Settings,
    progress: Progress = lambda _stage: None,
) -> Analysis:
    """Every published table of a fleet whose parts were analysed.

    Args:
        parts: All of them; the first is the one that taught the others. Their tables are not looked at.
        tables: Those of the parts, together: rows of vehicles in the vehicles' order, others in that of the parts.
        evidence: Of the whole fleet; its readings are not looked at.
        settings: The user's settings.
        progress: Called with each stage's name as it begins.
    """
    progress("recurring")
    if len(parts) > 1:
        traces = {name: pl.concat([part.traces[name] for part in parts]) for name in parts[0].traces}
        tables = {**tables, "record_notice": with_all_traces(select(tables["record_notice"]), traces)}
    history = History(  # as far as it is looked at
        readings=select(tables["reading_clock"], *READINGS_SEEN),
        epochs=empty(tables["learning_epoch"]),
        fault_events=select(tables["fault_event"]),
        notices=empty(tables["record_notice"]),
    )
    moved = tables.get("drift_moved")
    came_back = recurring(
        Seen.together([part.seen for part in parts]),
        select(tables["correction_state"], *STATES_SEEN),
        select(tables["cause_ranking"]),
        evidence=evidence,
        history=history,
        moved=None if moved is None else select(moved),
    )
    return Analysis(
        as_of=evidence.as_of,
        tables={
            "held_reading": evidence.held.batches,
            **tables,
            "held_history": evidence.held.histories,
            "held_cell": evidence.held.cells,
            "analysis_setting": settings.as_frame(),
            **came_back,
        },
    )


@dataclass
class _Taught(FromTheFirstReading):
    """From the first reading, by what was learned of others before; keeps what is known after it."""

    known: FirstLearned | None
    learned: FirstLearned = field(init=False)
    _past: LearnedPast = field(init=False)

    def history(self, evidence: Evidence) -> History:
        """As `reconstructed_and_learned`."""
        history, self._past = reconstructed_and_learned(evidence, self.known.past if self.known else None)
        return history

    def drift(self, panels: Sequence[Panel], *, evidence: Evidence, history: History, settings: Settings) -> Drift:
        """As `straying_and_learned`."""
        known = self.known.bands if self.known else None
        drift, bands = straying_and_learned(
            panels, evidence=evidence, history=history, settings=settings, learned=known
        )
        self.learned = FirstLearned(past=self._past, bands=bands)
        return drift
