"""What an event changed: readings of one correction lined up at it, against vehicles of the same weeks without it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
from scipy.stats import binom

from dashboard.views.joined import Choice, with_vehicles
from dashboard.views.wording import Reader, count, difference, difference_word, sentence, signed

WEEKS = 12  # before and after that are looked at (judgement: a season is longer, a relearning shorter)
SETTLED = 2  # weeks after the event left out of the comparison, while a set back value is learned (judgement)
LEAST_VEHICLES = 6  # of fewer no 95 % interval of a median exists: 2 x 0.5^5 > 0.05
LEAST_PEERS = 3  # vehicles of a week's comparison (judgement)
SURE = 0.95
KINDS = {
    "calibration": "a new calibration",
    "work": "work on a part",
    "depot": "a move to another depot",
    "note": "what a note tells, such as new fuel",
}
CHANGES = ["cleaning", "adjustment", "repair", "replacement"]  # kinds of work that change a part
EVENTS = pl.Schema({"vehicle_id": pl.String(), "at": pl.Datetime("us", "UTC"), "what": pl.String()})


@dataclass(frozen=True, kw_only=True)
class BeforeAfter:
    """What an event did to one correction.

    Attributes:
        sentence: The answer in words.
        basis: What it rests on.
        weekly: `week` (from the event, negative before it), `median, low, high` (the middle eight in ten vehicles),
            `vehicles`: change from the vehicle's own level before, less what its peers did in the same weeks.
        vehicles: `vehicle_id, at, before, after, change`, largest change first.
    """

    sentence: str
    basis: str
    weekly: pl.DataFrame
    vehicles: pl.DataFrame


def calibration_events(values: pl.DataFrame) -> pl.DataFrame:
    """First readings with another calibration than before: EVENTS, `what` is the new one.

    Args:
        values: `vehicle_id, read_at, calibration`.
    """
    known = values.drop_nulls("calibration").sort("vehicle_id", "read_at")
    new = pl.col("calibration") != pl.col("calibration").shift(1).over("vehicle_id")
    return known.filter(new).select("vehicle_id", at="read_at", what="calibration").cast(EVENTS)


def work_events(work: pl.DataFrame, components: Mapping[str, str]) -> pl.DataFrame:
    """Work that changed something, by part: EVENTS. Inspections and codes cleared change no part."""
    done = work.filter(pl.col("kind").is_in(["cleaning", "adjustment", "repair", "replacement"])).drop_nulls(
        "component"
    )
    part = pl.col("component").replace_strict(components, default=pl.col("component"), return_dtype=pl.String)
    return done.select("vehicle_id", at="done_at", what=part).cast(EVENTS).unique(maintain_order=True)


def move_events(moves: pl.DataFrame) -> pl.DataFrame:
    """Moves to another depot: EVENTS.

    Args:
        moves: `vehicle_id, since, depot`; a null `since` is where it was first.
    """
    return moves.drop_nulls("since").select("vehicle_id", at="since", what="depot").cast(EVENTS)


def note_events(notes: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """What was noted of a vehicle or a depot, such as another fuel: EVENTS of its vehicles, those of now.

    Notes on the whole fleet are left out: it has no peers.

    Args:
        notes: `at, about, text`.
        vehicles: `vehicle_id, depot`.
    """
    noted = notes.select("at", "about", what="text")
    own = noted.join(vehicles.select("vehicle_id"), left_on="about", right_on="vehicle_id", how="inner")
    of_depot = noted.join(vehicles.select("vehicle_id", about="depot"), on="about", how="inner")
    return pl.concat(
        [own.select(vehicle_id="about", at="at", what="what"), of_depot.select("vehicle_id", "at", "what")]
    ).cast(EVENTS)


def before_after(
    values: pl.DataFrame,
    events: pl.DataFrame,
    *,
    correction: Mapping[str, Any],
    vehicles: pl.DataFrame,
    choice: Choice,
    reader: Reader,
) -> BeforeAfter:
    """Each vehicle's change over its event, less that of its peers in the same weeks (difference in differences).

    Peers are the vehicles of its family and depot, or of its family where the depot has too few, that had no such event
    within the weeks looked at: so season, fuel and ageing that all share fall out. Each peer counts by its distance to
    its own mean, so that it does not matter who is read in which week. The interval is that of the median by order
    statistics, free of any distribution (Conover 1971); it does not hold what is uncertain about the peers.

    Args:
        values: `vehicle_id, read_at, value, calibration` of one correction.
        events: EVENTS; of a vehicle the first counts.
        correction: Its catalogue row: `title, unit`.
        vehicles: The fleet's vehicles.
        choice: Depots and engine families to keep.
        reader: Whose clock.
    """
    placed = choice.of(with_vehicles(values, vehicles), "depot", "engine_family").filter(
        pl.col("read_at") <= reader.as_of
    )
    weekly = (
        placed.with_columns(week=pl.col("read_at").dt.truncate("1w"))
        .group_by("vehicle_id", "engine_family", "depot", "week")
        .agg(pl.col("value").mean())
        .with_columns(pl.col("vehicle_id").cast(pl.String))
    )
    firsts = (
        events.sort("at").unique("vehicle_id", keep="first", maintain_order=True).filter(pl.col("at") <= reader.as_of)
    )
    lined_up = _lined_up(weekly, firsts)
    changes = _changes(lined_up)
    shown = lined_up.join(changes.select("vehicle_id", "base"), on="vehicle_id").filter(pl.col("own").is_not_null())
    by_week = (
        shown.group_by("turn")
        .agg(
            median=(pl.col("own") - pl.col("base")).median(),
            low=(pl.col("own") - pl.col("base")).quantile(0.1, "linear"),
            high=(pl.col("own") - pl.col("base")).quantile(0.9, "linear"),
            vehicles=pl.col("vehicle_id").n_unique(),
        )
        .sort("turn")
        .rename({"turn": "week"})
    )
    vehicles_changed = changes.select("vehicle_id", "at", "before", "after", "change").sort(
        pl.col("change").abs(), "vehicle_id", descending=[True, False]
    )
    return BeforeAfter(
        sentence=_sentence(changes, correction),
        basis=(
            f"{count(changes.height, 'vehicle')} with readings on both sides of {count(firsts.height, 'event')}, each "
            f"against its peers of the same weeks without one; {WEEKS} weeks before it, and after it from the week "
            f"{SETTLED + 1} on."
        ),
        weekly=by_week,
        vehicles=vehicles_changed,
    )


def _lined_up(weekly: pl.DataFrame, firsts: pl.DataFrame) -> pl.DataFrame:
    """Weeks of vehicles with an event: `vehicle_id, at, turn, value, own` (less the peers'; null: too few of them)."""
    week_of = pl.col("at").dt.truncate("1w")
    turn = ((pl.col("week") - week_of).dt.total_days() // 7).alias("turn")
    with_turn = weekly.join(firsts.select("vehicle_id", "at"), on="vehicle_id", how="left").with_columns(turn)
    near = pl.col("turn").is_between(-WEEKS, WEEKS)
    quiet = with_turn.filter(~near.fill_null(value=False)).with_columns(
        pl.col("value") - pl.col("value").mean().over("vehicle_id")
    )
    peers = [
        quiet.group_by([*keys, "week"]).agg(**{name: pl.col("value").median(), f"{name}_of": pl.len()})
        for name, keys in (("close", ["engine_family", "depot"]), ("far", ["engine_family"]))
    ]
    joined = with_turn.filter(near)
    for each, keys in zip(peers, (["engine_family", "depot", "week"], ["engine_family", "week"]), strict=True):
        joined = joined.join(each, on=keys, how="left", nulls_equal=True)
    peer = pl.when(pl.col("close_of") >= LEAST_PEERS).then("close").when(pl.col("far_of") >= LEAST_PEERS).then("far")
    return joined.select("vehicle_id", "at", "turn", "value", own=pl.col("value") - peer)


def _changes(lined_up: pl.DataFrame) -> pl.DataFrame:
    """One row a vehicle with both sides: `at, before, after` (as read), `base` (less the peers'), `change`."""
    before, after = pl.col("turn") < 0, pl.col("turn") > SETTLED
    return (
        lined_up.drop_nulls("own")
        .group_by("vehicle_id", "at")
        .agg(
            before=pl.col("value").filter(before).mean(),
            after=pl.col("value").filter(after).mean(),
            base=pl.col("own").filter(before).mean(),
            raised=pl.col("own").filter(after).mean(),
        )
        .drop_nulls()
        .with_columns(change=pl.col("raised") - pl.col("base"))
    )


def median_interval(changes: pl.Series) -> tuple[float, float] | None:
    """The 95 % interval of a median by order statistics; None: too few."""
    ordered = changes.drop_nulls().sort()
    if ordered.len() < LEAST_VEHICLES:
        return None
    outside = int(binom.ppf((1 - SURE) / 2, ordered.len(), 0.5)) - 1
    outside = max(outside, 0)
    return float(ordered[outside]), float(ordered[ordered.len() - 1 - outside])


def _sentence(changes: pl.DataFrame, correction: Mapping[str, Any]) -> str:
    title, unit = sentence(str(correction["title"])), correction["unit"]
    if not changes.height:
        return f"{title}: no vehicle has readings on both sides of such an event and peers without one."
    middle = float(changes.get_column("change").median())  # type: ignore[arg-type]
    moved = f"{title} {'rose' if middle > 0 else 'fell'} by {difference(abs(middle), unit)} more than that of its peers"
    interval = median_interval(changes.get_column("change"))
    if interval is None:
        return f"{moved}, the median of {count(changes.height, 'vehicle')}: too few for an interval."
    low, high = interval
    word = difference_word(unit)
    between = f"between {signed(low)} and {signed(high)}{f' {word}' if word else ''}"
    sure = "" if low > 0 or high < 0 else "; no change at all cannot be ruled out"
    return f"{moved} ({between}){sure}."
