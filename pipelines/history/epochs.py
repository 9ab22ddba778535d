"""Starts of learning anew: what the work record says, what the module says, and what the values themselves show."""

import numpy as np
import polars as pl

from pipelines.handover import Evidence, Float64s
from pipelines.history.neutral import BackToNeutral

SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "correction": pl.String(),
        "started_at": pl.Datetime("us", "UTC"),
        "first_read_at": pl.Datetime("us", "UTC"),
        "reason": pl.String(),
        "recorded": pl.Boolean(),
    }
)
PRIORITY = (
    "first_seen", "module", "calibration", "reset", "replaced", "power_loss", "codes_cleared", "values",
)  # fmt: skip
TOLD_RESETS = ("reset", "replaced")  # kinds of events that were recorded as resets
LEAST_EVENTS = 3  # of one kind in one family, before the family's habit counts
HABIT_SIGMAS = 2.0  # median of their excess scores from which on they have the habit of a reset
ALONE_SIGMAS = 0.7  # the same for a power loss, which comes without a repair; it must be above 0 by two standard errors
NO_TRACE_SIGMAS = 0.5  # and below which a recorded reset leaves the other corrections as they were
UNEXPECTED_SIGMAS = 4.5  # excess score of a reading that shows a reset by itself
EXPECTED_SIGMAS = 3.0  # and of one after an event that may reset, in a family whose habit is not known


def epochs(rows: pl.DataFrame, events: pl.DataFrame, evidence: Evidence, neutral: BackToNeutral) -> pl.DataFrame:
    """One row per start of learning anew, sorted by vehicle, time and correction.

    Always an epoch of all corrections: the first reading, another module, another calibration, a recorded reset
    without a component. A recorded reset of a component, and a replacement or repair with the reset done: of all, or of
    the component's corrections alone where the family's events of that kind leave the others as they were. A power loss
    and cleared codes: where the values show it, or most such events of the family do. Anything else: where the values
    show it. A part replaced without the reset opens none: its stale value unwinds.

    Args:
        rows: As `reading_rows` gives them.
        events: As `resetting_events` gives them, for the same rows.
        evidence: Its work rows and catalogue.
        neutral: Traces of resets in the values.
    """
    excess = _excess(rows, neutral, events)
    judged = _judged(events, rows, neutral, excess)
    found = pl.concat([_of_events(judged, evidence), _of_values(judged, rows, excess, neutral)])
    return _one_each(pl.concat([_first_seen(rows), found.select(*SCHEMA)])).sort(
        "vehicle_id", "first_read_at", "correction"
    )


def _first_seen(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.group_by("vehicle_id")
        .agg(started_at=pl.col("read_at").min(), first_read_at=pl.col("read_at").min())
        .with_columns(
            correction=pl.lit(None, dtype=pl.String), reason=pl.lit("first_seen"), recorded=pl.lit(value=False)
        )
        .select(*SCHEMA)
    )


def _excess(rows: pl.DataFrame, neutral: BackToNeutral, events: pl.DataFrame) -> Float64s:
    """[R] score above the ordinary readings of the family, in their own robust sigmas; 0 where nothing can speak."""
    ordinary = np.ones(rows.height, np.bool_)
    ordinary[events["row"].to_numpy()] = False
    speaks = neutral.informative > 0
    frame = pl.DataFrame(
        {"family": rows["engine_family"].fill_null(""), "score": neutral.score, "ordinary": ordinary, "speaks": speaks}
    )
    score = pl.col("score").filter(pl.col("ordinary") & pl.col("speaks"))
    spread = (score - score.median()).abs().median() * 1.4826
    excess = ((pl.col("score") - score.median()) / pl.max_horizontal(spread, 1.0)).over("family")
    return frame.select(pl.when("speaks").then(excess).fill_null(0.0)).to_series().to_numpy()


def _judged(events: pl.DataFrame, rows: pl.DataFrame, neutral: BackToNeutral, excess: Float64s) -> pl.DataFrame:
    """Events with `habit` (most of their kind and family reset; null: too few) and `shown` (this one's values do)."""
    row = events["row"].to_numpy()
    judged = events.with_columns(
        excess=pl.Series(excess[row], dtype=pl.Float64),
        speaks=pl.Series(neutral.informative[row] > 0, dtype=pl.Boolean),
        together=pl.Series(neutral.back[row] > neutral.against[row], dtype=pl.Boolean),
    ).join(rows.select("row", "engine_family"), on="row", how="left", maintain_order="left")
    group = ["engine_family", "kind"]
    heard = pl.col("excess").filter("speaks")
    typical = heard.median().over(group)
    events_heard = heard.len().over(group)
    error = 1.2533 / events_heard.sqrt()  # of a median of so many standard normal scores
    usual = (
        pl.when(pl.col("kind") == "power_loss")
        .then((typical >= ALONE_SIGMAS) & (typical >= 2 * error))
        .when(pl.col("kind").is_in(TOLD_RESETS))
        .then(typical >= NO_TRACE_SIGMAS)
        .otherwise(typical >= HABIT_SIGMAS)
    )
    habit = pl.when(events_heard >= LEAST_EVENTS).then(usual)
    least = pl.when(habit.is_null() & (pl.col("kind") != "stale")).then(EXPECTED_SIGMAS).otherwise(UNEXPECTED_SIGMAS)
    return judged.with_columns(habit=habit, shown=(pl.col("excess") >= least) & pl.col("together"))


def _of_events(judged: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Epochs of events: of all corrections, or of those of the component that was worked on."""
    # A reset that was recorded was done, unless the family's events say that only the component's values go.
    told_reset = pl.col("kind").is_in(TOLD_RESETS) & (pl.col("shown") | pl.col("habit").fill_null(value=True))
    may_reset = pl.col("kind").is_in(["power_loss", "codes_cleared"]) & (
        pl.col("shown") | pl.col("habit").fill_null(value=False)
    )
    always = pl.col("kind").is_in(["module", "calibration"])
    whole_reset = (pl.col("kind") == "reset") & pl.col("component").is_null()
    seen = pl.col("kind").is_in(["hands_on", "stale"]) & pl.col("shown")
    everything = always | whole_reset | told_reset | may_reset | seen
    parts = pl.col("kind").is_in(TOLD_RESETS) & ~everything
    reason = pl.col("kind").replace({"hands_on": "values", "stale": "values"})
    told = judged.with_columns(reason=reason, everything=everything, parts=parts)
    whole = told.filter("everything").with_columns(correction=pl.lit(None, dtype=pl.String))
    by_part = told.filter("parts").join(_corrections_of(evidence), on="component").filter(_same_place())
    return pl.concat([whole.select(*SCHEMA), by_part.select(*SCHEMA)])


def _corrections_of(evidence: Evidence) -> pl.DataFrame:
    """component, correction, its bank (a cylinder's is not known here) and cylinder."""
    return (
        evidence.corrections.select(
            correction="code",
            component=pl.col("component").str.split("|"),
            bank_of="bank",
            cylinder_of="cylinder",
        )
        .explode("component")
        .filter(pl.col("component").is_not_null())
    )


def _same_place() -> pl.Expr:
    def same(worked: str, learned: str) -> pl.Expr:
        return pl.col(worked).is_null() | pl.col(learned).is_null() | (pl.col(worked) == pl.col(learned))

    return same("bank", "bank_of") & same("cylinder", "cylinder_of")


def _of_values(judged: pl.DataFrame, rows: pl.DataFrame, excess: Float64s, neutral: BackToNeutral) -> pl.DataFrame:
    """Epochs that only the values show: at least two corrections, and half of those that can speak, back together."""
    together = (neutral.back >= 2) & (neutral.back >= 3 * neutral.against) & (2 * neutral.back >= neutral.informative)
    shown = excess >= UNEXPECTED_SIGMAS
    explained = np.zeros(rows.height, np.bool_)
    explained[judged["row"].to_numpy()] = True
    before = pl.col("read_at").shift(1).over("vehicle_id")
    return (
        rows.with_columns(started_at=before + (pl.col("read_at") - before) / 2)
        .filter(pl.Series(shown & together & ~explained))
        .select(
            "vehicle_id",
            correction=pl.lit(None, dtype=pl.String),
            started_at="started_at",
            first_read_at="read_at",
            reason=pl.lit("values"),
            recorded=pl.lit(value=False),
        )
    )


def _one_each(found: pl.DataFrame) -> pl.DataFrame:
    """One epoch per vehicle, correction and first reading, by priority; none for a part where all begin anew."""
    ranked = found.with_columns(
        rank=pl.col("reason").replace_strict(PRIORITY, range(len(PRIORITY)), return_dtype=pl.Int8),
        whole=pl.col("correction").is_null().any().over("vehicle_id", "first_read_at"),
    ).filter(~pl.col("whole") | pl.col("correction").is_null())
    return (
        ranked.sort("rank", "recorded", "started_at", descending=[False, True, False])
        .unique(["vehicle_id", "correction", "first_read_at"], keep="first", maintain_order=True)
        .select(*SCHEMA)
    )
