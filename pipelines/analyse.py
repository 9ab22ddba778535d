"""The order of the stages, stated once; reading this is reading the method. Frames in, published tables out.

Each stage learns small things of groups of vehicles, and applies them to each vehicle by itself; its package says what.
"""

from pipelines.causes.check_results import by_vehicle, check_results
from pipelines.causes.next_check import next_checks
from pipelines.causes.ranking import learn_causes, rank_causes
from pipelines.causes.settled_changes import with_causes_heard
from pipelines.first_stages import Progress, first_stages
from pipelines.forecast.hazard import forecast_faults
from pipelines.handover import Analysis, Evidence
from pipelines.outliers.stage import unlike_peers
from pipelines.recurring.stage import recurring
from pipelines.settings import Settings
from pipelines.workplan.urgency import vehicle_states


def analyse(evidence: Evidence, *, settings: Settings, progress: Progress = lambda _stage: None) -> Analysis:
    """Every published table as of `evidence.as_of`, from that evidence alone.

    Args:
        evidence: What was known at that time, without what the stage `held` took out of it when it was read.
        settings: The user's settings, with the seed.
        progress: Called with each stage's name as it begins.
    """
    history, drift = first_stages(evidence, settings=settings, progress=progress)
    progress("outliers")
    outliers = unlike_peers(drift, evidence=evidence, settings=settings)
    progress("causes")
    taught = learn_causes(drift, evidence)
    cause_ranking = rank_causes(drift, evidence=evidence, history=history, taught=taught)
    drift = with_causes_heard(drift, cause_ranking, evidence=evidence)
    next_check = next_checks(cause_ranking, by_vehicle(check_results(evidence)))
    progress("forecast")
    forecast = forecast_faults(drift, outliers, evidence=evidence, history=history, settings=settings)
    progress("recurring")
    came_back = recurring(drift, cause_ranking, evidence=evidence, history=history, seed=settings.seed)
    progress("states")
    vehicle_state = vehicle_states(
        drift.correction_state,
        outliers.scores,
        cause_ranking,
        forecast.fault_forecast,
        evidence=evidence,
        history=history,
    )
    return Analysis(
        as_of=evidence.as_of,
        tables={
            "held_reading": evidence.held.batches,
            "correction_state": drift.correction_state,
            "vehicle_state": vehicle_state,
            "outlier_reason": outliers.reasons,
            "fault_forecast": forecast.fault_forecast,
            "cause_ranking": cause_ranking,
            "next_check": next_check,
            "cause_confirmed": taught.table(),
            "outlier_check": outliers.scores,
            "forecast_model": forecast.model,
            "fault_event": history.fault_events,
            "learning_epoch": history.epochs,
            "record_notice": history.notices,
            "reading_clock": history.readings,
            "held_history": evidence.held.histories,
            "held_cell": evidence.held.cells,
            "analysis_setting": settings.as_frame(),
            **came_back,
            **drift.extras,
        },
    )
