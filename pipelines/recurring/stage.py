"""The stage `recurring`: what keeps coming back, whether repairs held, who has which calibration; tables by name."""

from datetime import datetime

import polars as pl

from pipelines.handover import Drift, Evidence, History
from pipelines.recurring.behind_findings import trend_of, vehicles_behind
from pipelines.recurring.calibrations import behind, calibration_register
from pipelines.recurring.closed import closings, has_grown, parted
from pipelines.recurring.compared import compare
from pipelines.recurring.cures import calibration_effects
from pipelines.recurring.issues import recurring_issues, thing_words, titles_of
from pipelines.recurring.modules import module_changes
from pipelines.recurring.repairs import repair_outcomes
from pipelines.recurring.repeats import jobs_behind
from pipelines.recurring.rollouts import Watched, rollout_watch
from pipelines.recurring.shifts import calibration_shifts
from pipelines.recurring.survival import repair_survival


def recurring(
    drift: Drift, cause_ranking: pl.DataFrame, *, evidence: Evidence, history: History, seed: int
) -> dict[str, pl.DataFrame]:
    """The contract's `repair_outcome` and `recurring_issue`, and beside them what their pages show.

    Args:
        drift: Alarms, states and readings.
        cause_ranking: The contract's table.
        evidence: What was known, with what people entered about findings.
        history: Readings, epochs and fault events.
        seed: Chooses samples of large fleets.

    Returns:
        By name: the two tables; `finding_vehicle` and `finding_month` (what stands behind each finding),
        `finding_closed` (those that people closed and that did not go on since), `rollout_watch`, `repair_survival`,
        `calibration_register`, `calibration_behind`, `calibration_shift`, `calibration_effect`, `module_change`.
    """
    outcome = repair_outcomes(drift, evidence=evidence, history=history)
    compared = compare(drift, cause_ranking, outcome, evidence=evidence, history=history)
    months, returns = compared.grounds[0], compared.grounds[1]
    register = calibration_register(evidence, history.readings)
    watch = rollout_watch(
        [Watched(ground=months, factor="calibration"), Watched(ground=returns, factor="part_batch")],
        as_of=evidence.as_of,
    )
    issues, about = recurring_issues(
        compared, watch, moved=drift.extras.get("drift_moved"), cause_ranking=cause_ranking, evidence=evidence
    )
    titles = titles_of(evidence)

    def grown(issue: str, closed_at: datetime) -> bool:
        return issue in about and has_grown(about[issue][0], compared, closed_at)

    standing, closed = parted(issues, closings(evidence.entries), grown)
    open_ids = set(standing["issue_id"])
    shown = {issue: subjects for issue, subjects in about.items() if issue in open_ids}
    behind_each = vehicles_behind(shown, compared, lambda subject: thing_words(subject.kind, subject.what, titles))
    return {
        "repair_outcome": outcome,
        "recurring_issue": standing,
        "finding_vehicle": pl.concat([behind_each, jobs_behind(standing, compared.stood, titles)]),
        "finding_month": trend_of(shown, compared),
        "finding_closed": closed,
        "rollout_watch": watch,
        "repair_survival": repair_survival(compared.stood),
        "calibration_register": register,
        "calibration_behind": behind(evidence, history.readings, register),
        "calibration_shift": calibration_shifts(drift, seed=seed),
        "calibration_effect": calibration_effects(months, register),
        "module_change": module_changes(drift, evidence=evidence, history=history, register=register),
    }
