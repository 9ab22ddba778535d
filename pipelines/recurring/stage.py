"""The stage `recurring`: what keeps coming back, whether repairs held, who has which calibration; tables by name."""

from datetime import datetime

import polars as pl

from pipelines.handover import Evidence, History
from pipelines.recurring.behind_findings import trend_of, vehicles_behind
from pipelines.recurring.calibrations import behind, calibration_register
from pipelines.recurring.closed import closings, has_grown, parted
from pipelines.recurring.compared import compare
from pipelines.recurring.cures import calibration_effects
from pipelines.recurring.issues import recurring_issues, thing_words, titles_of
from pipelines.recurring.modules import module_changes
from pipelines.recurring.repeats import jobs_behind
from pipelines.recurring.rollouts import Watched, rollout_watch
from pipelines.recurring.seen import Seen
from pipelines.recurring.survival import repair_survival

# Columns that are looked at: of `correction_state`, and of the history's readings.
STATES_SEEN = ("vehicle_id", "correction", "state", "alarm", "alarm_at")
READINGS_SEEN = (
    "vehicle_id", "read_at", "engine_family", "depot", "duty", "km", "calibration", "module", "faults_known",
)  # fmt: skip


def recurring(
    seen: Seen, correction_state: pl.DataFrame, cause_ranking: pl.DataFrame, *, evidence: Evidence, history: History,
    moved: pl.DataFrame | None,
) -> dict[str, pl.DataFrame]:  # fmt: skip
    """The contract's `repair_outcome` and `recurring_issue`, and beside them what their pages show.

    Args:
        seen: What the vehicles' readings say.
        correction_state: Of the contract's table the columns STATES_SEEN.
        cause_ranking: The contract's table.
        evidence: What was known, with what people entered about findings.
        history: Readings, of them READINGS_SEEN, and fault events.
        moved: Depots that moved as a whole (`bands.moved`).

    Returns:
        By name: the two tables; `finding_vehicle` and `finding_month` (what stands behind each finding),
        `finding_closed` (those that people closed and that did not go on since), `rollout_watch`, `repair_survival`,
        `calibration_register`, `calibration_behind`, `calibration_effect`, `module_change`.
    """
    compared = compare(seen, correction_state, cause_ranking, evidence=evidence, history=history)
    months, returns = compared.grounds[0], compared.grounds[1]
    register = calibration_register(evidence, history.readings)
    watch = rollout_watch(
        [Watched(ground=months, factor="calibration"), Watched(ground=returns, factor="part_batch")],
        as_of=evidence.as_of,
    )
    issues, about = recurring_issues(compared, watch, moved=moved, cause_ranking=cause_ranking, evidence=evidence)
    titles = titles_of(evidence)

    def grown(issue: str, closed_at: datetime) -> bool:
        return issue in about and has_grown(about[issue][0], compared, closed_at)

    standing, closed = parted(issues, closings(evidence.entries), grown)
    open_ids = set(standing["issue_id"])
    shown = {issue: subjects for issue, subjects in about.items() if issue in open_ids}
    behind_each = vehicles_behind(shown, compared, lambda subject: thing_words(subject.kind, subject.what, titles))
    return {
        "repair_outcome": seen.repair_outcome,
        "recurring_issue": standing,
        "finding_vehicle": pl.concat([behind_each, jobs_behind(standing, compared.stood, titles)]),
        "finding_month": trend_of(shown, compared),
        "finding_closed": closed,
        "rollout_watch": watch,
        "repair_survival": repair_survival(compared.stood),
        "calibration_register": register,
        "calibration_behind": behind(evidence, history.readings, register),
        "calibration_effect": calibration_effects(months, register),
        "module_change": module_changes(
            seen.begun, correction_state, evidence=evidence, history=history, register=register
        ),
    }
