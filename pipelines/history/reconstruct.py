"""The stage `history`: what a fleet handed over, put in order vehicle by vehicle."""

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import polars as pl

from pipelines.handover import Evidence, Float64s, History
from pipelines.history.clock import Clocks, clocks
from pipelines.history.epochs import epochs
from pipelines.history.fault_events import SCHEMA as FAULT_EVENTS
from pipelines.history.fault_events import fault_events
from pipelines.history.learned import FamilyLearned, Learned, at_block
from pipelines.history.reading_rows import families, reading_rows
from pipelines.history.records import SCHEMA as NOTICES
from pipelines.history.records import notices, traces, with_new_histories
from pipelines.history.reset_likelihood import Inputs, reset_likelihood, threshold
from pipelines.history.resets import resetting_events
from pipelines.history.stuck_values import stuck_values


def reconstruct(evidence: Evidence) -> History:
    """Clock, kilometres, learning epochs, fault events and notices of every vehicle.

    Args:
        evidence: What was known at its `as_of`; nothing else is looked at.

    Returns:
        The history; its frames are described at `History`.
    """
    return reconstructed_and_learned(evidence)[0]


def reconstructed_and_learned(evidence: Evidence, known: Learned | None = None) -> tuple[History, Learned]:
    """The same, and what was learned: of families that nobody learned of before, it is learned here.

    Args:
        evidence: As for `reconstruct`.
        known: What was learned of other vehicles of these families; None: nothing.
    """
    rows, known = reading_rows(evidence), known or Learned.nothing()
    learned = _learning(rows, evidence, reset_likelihood, known)
    stale = _stale(learned.events, learned.history.epochs)
    traced = traces(rows, learned.clocks)
    stuck, repeats = stuck_values(rows, evidence, known)
    every = notices(rows, learned.clocks, traced, stale, stuck)
    history = replace(
        learned.history,
        fault_events=fault_events(learned.readings, evidence),
        notices=with_new_histories(every, evidence.begun_anew),
        traces=traced,
    )
    own = {
        name: FamilyLearned(
            scatter={code: of[place] for code, of in learned.scatter.items()},
            repeats={code: of[place] for code, of in repeats.items()},
        )
        for name, place in families(rows)[0].items()
    }
    return history, known.and_(Learned(needed=learned.needed, habits=learned.habits, families=own))


def learning_history(evidence: Evidence, likelihood: Callable[[Inputs], Float64s]) -> History:
    """The same without fault events and notices, which say nothing of what vehicles learned: those are empty.

    Args:
        evidence: What is known now.
        likelihood: What `reset_likelihood` computes, by another way.
    """
    return _learning(reading_rows(evidence), evidence, likelihood, Learned.nothing()).history


class _Learning(NamedTuple):
    """Clocks; rows with them; what may have reset learned values; a history without fault events and notices.

    Of what was learned: scatter by correction, [F, B]; habits; needed, [B].
    """

    clocks: Clocks
    readings: pl.DataFrame
    events: pl.DataFrame
    history: History
    scatter: dict[str, Float64s]
    habits: pl.DataFrame
    needed: Float64s


def _learning(
    rows: pl.DataFrame, evidence: Evidence, likelihood: Callable[[Inputs], Float64s], known: Learned
) -> _Learning:
    clocked = clocks(rows, evidence)
    readings = rows.hstack(clocked.frame).with_columns(cleared_counter=_counters_fell())
    events = resetting_events(rows, _power(readings), evidence)
    begun = rows["row"].is_in(events["row"].implode()).to_numpy()
    hours = readings["hours"].fill_null(float("nan")).to_numpy()
    by_block = known.needed if known.needed.size else threshold(rows)
    needed = at_block(by_block, rows["block"].to_numpy())
    inputs = Inputs.of(rows, evidence, hours, begun, needed=needed, known=known)
    ratio = likelihood(inputs)
    begun_anew, habits = epochs(rows, events, evidence, ratio, needed=needed, known=known)
    history = History(
        readings=readings.select(
            "vehicle_id", "read_at", "engine_family", "depot", "duty", "hours", "hours_confidence", "km",
            "calibration", "module", "power_lost", "faults_known",
        ),
        epochs=begun_anew,
        fault_events=pl.DataFrame(schema=FAULT_EVENTS),
        notices=pl.DataFrame(schema=NOTICES),
    )  # fmt: skip
    by_family = (len(families(rows)[0]), -1)
    codes = inputs.informative["code"]
    scatter = {code: of.reshape(by_family) for code, of in zip(codes, inputs.sigma, strict=True)}
    return _Learning(clocked, readings, events, history, scatter, habits, by_block)


def _power(readings: pl.DataFrame) -> pl.DataFrame:
    """row, power_lost, other_module, cleared_counter; lost_at: the best estimate of when, from the hours run since."""
    before, hours_before = (pl.col(name).shift(1).over("vehicle_id") for name in ("read_at", "hours"))
    since = pl.col("hours") - pl.col("offset")
    share = (1 - since / (pl.col("hours") - hours_before)).clip(0.0, 1.0).fill_nan(0.5)
    signs = ("row", "power_lost", "other_module", "cleared_counter")
    return readings.select(*signs, lost_at=before + (pl.col("read_at") - before) * share)


def _stale(events: pl.DataFrame, begun: pl.DataFrame) -> pl.DataFrame:
    """Hands-on work said to be done without a reset, after which the values did not begin anew."""
    return (
        events.filter(pl.col("kind").is_in(["stale", "codes_cleared"]) & pl.col("recorded"))
        .filter(pl.col("unreset"))
        .join(begun.filter(pl.col("correction").is_null()), on=["vehicle_id", "first_read_at"], how="anti")
        .select("vehicle_id", "component", done_at="started_at")
    )


def _counters_fell() -> pl.Expr:
    """The module's counters since its codes were last cleared are lower than at the reading before."""
    fell = [
        (pl.col(name) < pl.col(name).forward_fill().shift(1).over("vehicle_id")).fill_null(value=False)
        for name in ("warmups_since_clear", "km_since_clear")
    ]
    return fell[0] | fell[1]
