"""Starts of learning anew: what the work record says, what the module says, and what the values themselves show."""

import polars as pl

from pipelines.handover import Bools, Evidence, Float64s
from pipelines.history.learned import HABITS, Learned

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
LEAST_EVENTS = 3  # of one kind in one family, before the family's habit counts; judgement
EVENT_MOST = 3.0  # log-likelihood ratio that one event adds to its family's habit at most, either way; judgement
# Sum of these from which on the family has, or has not, the habit of a reset: odds of 20 to 1; judgement.
HABIT_RATIO = 3.0
SHARES = tuple(tenth / 10 for tenth in range(1, 10))  # of events that reset, where some do; numerical
EXPECTED_RATIO = 3.0  # of one event that may reset, in a family whose habit is not known; judgement


def epochs(
    rows: pl.DataFrame, events: pl.DataFrame, evidence: Evidence, ratio: Float64s, *, needed: Float64s, known: Learned
) -> tuple[pl.DataFrame, pl.DataFrame]:
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
        ratio: [R], log-likelihood ratio of a reset since the reading before, as the values show it.
        needed: [R] of it, as `threshold` says.
        known: What was learned of other vehicles.

    Returns:
        The epochs; and what the events say of habits, rows of `HABITS`.
    """
    judged, habits = _judged(events, rows, ratio, needed, known)
    every = pl.concat([_of_events(judged, evidence), _of_values(judged, rows, ratio >= needed)])
    begun = _one_each(pl.concat([_first_seen(rows), every.select(*SCHEMA)]))
    return begun.sort("vehicle_id", "first_read_at", "correction"), habits


def _first_seen(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.group_by("vehicle_id")
        .agg(started_at=pl.col("read_at").min(), first_read_at=pl.col("read_at").min())
        .with_columns(
            correction=pl.lit(None, dtype=pl.String), reason=pl.lit("first_seen"), recorded=pl.lit(value=False)
        )
        .select(*SCHEMA)
    )


def _judged(
    events: pl.DataFrame, rows: pl.DataFrame, ratio: Float64s, needed: Float64s, known: Learned
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Events with `habit` (their kind resets in their family; null: not told) and `shown` (this one's values do).

    The habit is that of events up to the end of the event's block; what comes later changes nothing. Rows of `HABITS`
    beside them.
    """
    at = events["row"].to_numpy()
    in_order = (
        events.with_columns(
            ratio=pl.Series(ratio[at], dtype=pl.Float64), needed=pl.Series(needed[at], dtype=pl.Float64)
        )
        .join(
            rows.select("row", pl.col("engine_family").fill_null(""), "block"),
            on="row",
            how="left",
            maintain_order="left",
        )
        .sort("block", "row", maintain_order=True)
        .with_columns(habit=_habit(pl.col("ratio").clip(-EVENT_MOST, EVENT_MOST)).over("engine_family", "kind"))
    )
    own = in_order.group_by("engine_family", "kind", "block", maintain_order=True).agg(pl.col("habit").last())
    habits = own.select(pl.col(name).cast(dtype) for name, dtype in HABITS.items())
    least = pl.when(pl.col("habit").is_null() & (pl.col("kind") != "stale")).then(EXPECTED_RATIO).otherwise("needed")
    judged = _by_habit(in_order.drop("habit"), habits, known).with_columns(shown=pl.col("ratio") >= least)
    return judged, habits


def _by_habit(events: pl.DataFrame, own: pl.DataFrame, known: Learned) -> pl.DataFrame:
    """Events, sorted by block, with the habit that holds in it: of families that are known, the newest that is."""
    ours = own.filter(~pl.col("engine_family").is_in(list(known.families)))
    habits = pl.concat([ours, known.habits]).sort("block", maintain_order=True)
    told = events.join_asof(habits, on="block", by=["engine_family", "kind"], check_sortedness=False)
    is_told_reset = pl.col("kind").is_in(TOLD_RESETS)
    return told.with_columns(
        habit=pl.when(is_told_reset).then(pl.col("habit").fill_null(value=True)).otherwise("habit")
    )


def _habit(ratio: pl.Expr) -> pl.Expr:
    """Whether the events of a kind and family, up to each in their order, reset; null: too few tell.

    A recorded reset was one, unless most of the family's speak clearly against it. Of other events, that all do and
    that none does are compared. Codes are often cleared beside a reset, so that a share of the clearings shows one
    where clearing resets nothing: that is compared too, with the penalty for its parameter (Schwarz, 1978).
    """
    every, count = ratio.cum_sum(), pl.int_range(1, pl.len() + 1)
    mixed = [(share * ratio.exp() + (1.0 - share)).log().cum_sum() for share in SHARES]
    some = pl.max_horizontal(mixed) - 0.5 * count.cast(pl.Float64).log()
    plain = (pl.col("kind") != "codes_cleared") | (pl.max_horizontal(every, 0.0) >= some)
    is_reset = (count < LEAST_EVENTS) | (2 * (ratio <= -EVENT_MOST).cum_sum() <= count)
    enough = plain & (count >= LEAST_EVENTS) & (every.abs() >= HABIT_RATIO)
    return pl.when(pl.col("kind").is_in(TOLD_RESETS)).then(is_reset).when(enough).then(every > 0)


def _of_events(judged: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    """Epochs of events: of all corrections, or of those of the component that was worked on."""
    # A reset that was recorded was done, unless the family's events say that only the component's values go.
    told_reset = pl.col("kind").is_in(TOLD_RESETS) & (pl.col("shown") | pl.col("habit"))
    may_reset = pl.col("kind").is_in(["power_loss", "codes_cleared"]) & (
        pl.col("shown") | pl.col("habit").fill_null(value=False)
    )
    always = pl.col("kind").is_in(["module", "calibration"])
    whole_reset = (pl.col("kind") == "reset") & pl.col("component").is_null()
    seen = pl.col("kind").is_in(["hands_on", "stale"]) & pl.col("shown")
    everything = always | whole_reset | told_reset | may_reset | seen
    parts = pl.col("kind").is_in(TOLD_RESETS) & ~everything
    reason = pl.col("kind").replace({"hands_on": "values", "stale": "values"})
    reasoned = judged.with_columns(reason=reason, everything=everything, parts=parts)
    whole = reasoned.filter("everything").with_columns(correction=pl.lit(None, dtype=pl.String))
    by_part = reasoned.filter("parts").join(_corrections_of(evidence), on="component").filter(_same_place())
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


def _of_values(judged: pl.DataFrame, rows: pl.DataFrame, is_reset: Bools) -> pl.DataFrame:
    """Epochs that only the values show."""
    is_reset[judged["row"].to_numpy()] = False  # something explains them
    before = pl.col("read_at").shift(1).over("vehicle_id")
    return (
        rows.with_columns(started_at=before + (pl.col("read_at") - before) / 2)
        .filter(pl.Series(is_reset))
        .select(
            "vehicle_id",
            correction=pl.lit(None, dtype=pl.String),
            started_at="started_at",
            first_read_at="read_at",
            reason=pl.lit("values"),
            recorded=pl.lit(value=False),
        )
    )


def _one_each(every: pl.DataFrame) -> pl.DataFrame:
    """One epoch per vehicle, correction and first reading, by priority; none for a part where all begin anew."""
    ranked = every.with_columns(
        rank=pl.col("reason").replace_strict(PRIORITY, range(len(PRIORITY)), return_dtype=pl.Int8),
        whole=pl.col("correction").is_null().any().over("vehicle_id", "first_read_at"),
    ).filter(~pl.col("whole") | pl.col("correction").is_null())
    return (
        ranked.sort("rank", "recorded", "started_at", descending=[False, True, False])
        .unique(["vehicle_id", "correction", "first_read_at"], keep="first", maintain_order=True)
        .select(*SCHEMA)
    )
