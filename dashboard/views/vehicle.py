"""One vehicle: what it does, since when, why, how likely a fault is, and what that rests on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

import polars as pl

from dashboard.palette import STATE, URGENCY, look
from dashboard.views.joined import with_catalogue
from dashboard.views.leeway import leeway_that_counts
from dashboard.views.sentences import correction_sentence
from dashboard.views.states import reading_off, state_words
from dashboard.views.today import LIKELIER_THAN_NOT, NO_CAUSE, cause_name, chances, urgent_first
from dashboard.views.too_little import by_built_in, is_all_learning, learning, near_limit, near_limit_words
from dashboard.views.wording import Reader, count, listed, number, percent, sentence, unit_word
from pipelines.causes.knowledge import Cause
from pipelines.workplan.urgency import STRAYS

WORST_FIRST = {state: -1 if state in STRAYS else rank for rank, state in enumerate(STATE)}
NOT_YET = "Nothing stands out so far; too little was read to tell a change."
MOST_OFF = 2  # corrections named whose newest reading is off by itself (judgement)
MOST_NEAREST, LEAST_ALIKE = 5, 0.5  # numbers named instead of one that is unknown, and how alike they are (judgement)


@dataclass(frozen=True, kw_only=True)
class Summary:
    """The top of the page: who it is, how urgent, and the sentences that matter, worst first."""

    title: str
    subtitle: str
    urgency: str
    meaning: str
    sentences: list[str]
    facts: dict[str, str]
    leading: str | None


def states_of(vehicle_id: str, correction_state: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """The vehicle's corrections with the catalogue's words: what strays, by what leeway is left, then the rest."""
    mine = with_catalogue(correction_state.filter(pl.col("vehicle_id") == vehicle_id), corrections)
    return (
        mine.with_columns(
            rank=pl.col("state").replace_strict(WORST_FIRST, default=len(WORST_FIRST), return_dtype=pl.Int32),
            away=pl.col("z").abs(),
        )
        .sort("rank", "leeway_pct", "away", "correction", descending=[False, False, True, False], nulls_last=True)
        .drop("rank", "away")
    )


def asked_for(asked: str, known: Sequence[str]) -> str | None:
    """The known number that is meant: the same one, or the only one that differs by capitals alone; None: neither."""
    alike = [each for each in known if each.casefold() == asked.casefold()]
    return asked if asked in known else alike[0] if len(alike) == 1 else None


def nearest(asked: str, known: Sequence[str]) -> list[str]:
    """Known numbers that come nearest to one that is none of them."""
    folded = {each.casefold(): each for each in known}
    return [folded[each] for each in get_close_matches(asked.casefold(), folded, n=MOST_NEAREST, cutoff=LEAST_ALIKE)]


def summary(
    vehicle_id: str,
    *,
    vehicle_state: pl.DataFrame,
    states: pl.DataFrame,
    vehicle: Mapping[str, Any],
    reader: Reader,
    read: Mapping[str, int] | None = None,
    peers: int | None = None,
    causes: Sequence["CauseView"] = (),
) -> Summary:
    """The vehicle in plain words.

    Args:
        vehicle_id: The fleet number.
        vehicle_state: Published table.
        states: `states_of` this vehicle.
        vehicle: Its row of the drop table `vehicles`.
        reader: Whose clock and distance it is written for.
        read: How often each correction was read; None: not counted.
        peers: How many vehicles of its engine family were read, itself among them; None: not counted.
        causes: What it is likely to be, likeliest first, as `causes_of` gives it.
    """
    rows = vehicle_state.filter(pl.col("vehicle_id") == vehicle_id).to_dicts()
    state = rows[0] if rows else {}
    urgency, resting = look(URGENCY, state.get("urgency")), state.get("urgency") == "none"
    return Summary(
        title=f"Vehicle {vehicle_id}",
        subtitle=_subtitle(vehicle),
        urgency=urgency.label,
        meaning=NOT_YET if resting and states.select(is_all_learning()).item() else urgency.meaning,
        sentences=[
            *_sentences(states, state, reader, read or {}, stands_out(causes)),
            *([] if peers is None else by_built_in(states, peers)),
        ],
        facts=_facts(state, states, reader),
        leading=_leading(state, states),
    )


def by_urgency(
    vehicle_state: pl.DataFrame, fault_forecast: pl.DataFrame, correction_state: pl.DataFrame, corrections: pl.DataFrame
) -> list[str]:
    """The vehicles in the order of the list of those that need attention; published tables and the catalogue."""
    counts = leeway_that_counts(correction_state, corrections)
    known = vehicle_state.drop("leeway_pct").join(counts, on="vehicle_id", how="left")
    ranked = urgent_first(known.join(chances(fault_forecast), on="vehicle_id", how="left"))
    vehicles: list[str] = ranked["vehicle_id"].to_list()
    return vehicles


def _subtitle(vehicle: Mapping[str, Any]) -> str:
    parts = [
        vehicle.get("engine_family"),
        vehicle.get("depot"),
        (vehicle.get("duty") or "").replace("_", " "),
        f"model year {vehicle['model_year']}" if vehicle.get("model_year") else None,
    ]
    return " · ".join(str(part) for part in parts if part)


def stands_out(causes: Sequence["CauseView"]) -> "CauseView | None":
    """The cause that is likelier than not, if one is."""
    return next((cause for cause in causes if cause.cause != NO_CAUSE and cause.probability > LIKELIER_THAN_NOT), None)


def _sentences(
    states: pl.DataFrame,
    state: Mapping[str, Any],
    reader: Reader,
    read: Mapping[str, int],
    cause: "CauseView | None",
) -> list[str]:
    leading = pl.col("correction").eq_missing(pl.lit(state.get("leading_correction")))
    astray = (
        states.filter(pl.col("state").is_in(["drifting", "outside"]))
        .sort(leading, descending=True, maintain_order=True)
        .to_dicts()
    )
    said = [correction_sentence(row, reader) for row in astray[:3]]
    if len(astray) > 3:
        others = len(astray) - 3
        said.append(f"{count(others, 'more correction').capitalize()} {'strays' if others == 1 else 'stray'} with it.")
    settled = states.filter(pl.col("changed_at").is_not_null()) if "changed_at" in states.columns else states.clear()
    said += [correction_sentence(row, reader) for row in settled.sort("changed_at", descending=True).head(2).to_dicts()]
    young, words_of_young = learning(states, read)
    near = near_limit(states)
    without_code = _counting(states)["near_without_code"]
    said += [*near_limit_words(near), *([without_code] if without_code else []), *words_of_young]
    for quiet, words in (("relearning", "relearning after they were set back"), ("not_learning", "not learning")):
        some = states.filter(pl.col("state") == quiet, ~pl.col("correction").is_in(young)).height
        if some:
            said.append(f"{count(some, 'correction').capitalize()} {'is' if some == 1 else 'are'} {words}.")
    steady = states.filter(pl.col("state") == "steady", ~pl.col("correction").is_in(near["correction"].implode()))
    if not astray and steady.height:
        said.insert(0, _nothing_strays(steady, near=near.height > 0, cause=cause))
    if not states.filter(~pl.col("state").is_in(["not_read", "not_fitted"])).height:
        said.insert(0, "Too little was read of this vehicle to say anything.")
    if state.get("open_faults"):
        said.append(
            f"{count(state['open_faults'], 'fault code').capitalize()} "
            f"{'stands' if state['open_faults'] == 1 else 'stand'} in its memory."
        )
    return [*_first_of_all(state, reader), *said]


def _nothing_strays(steady: pl.DataFrame, *, near: bool, cause: "CauseView | None") -> str:
    """That no correction strays, unless they do together, and of which the newest reading is off by itself."""
    if cause is not None:
        return (
            f"No correction strays by itself; against how they were before, together they look like {cause.name} "
            f"({percent(cause.probability)})."
        )
    words = (
        f"Nothing strays: {count(steady.height, 'correction')} are where they should be"
        if steady.height > 1
        else f"Nothing strays: {'one' if near else 'its one'} correction is where it should be"
    )
    off = steady.filter(reading_off())
    if not off.height:
        return f"{words}."
    titles = listed(off.get_column("title").head(MOST_OFF)) if off.height <= MOST_OFF else f"{off.height:,} corrections"
    return f"{words}; the newest reading of {titles} lies outside its band, which one reading alone does not settle."


def _first_of_all(state: Mapping[str, Any], reader: Reader) -> list[str]:
    """Why it stands at its urgency; and that it was worked on since it was read, before what the reading says."""
    why = [reader.said(state["urgency_reason"])] if state.get("urgency_reason") else []
    if state.get("worked_on_at") is None:
        return why
    worked = f"Worked on {reader.day(state['worked_on_at'])}, not read since"
    return [*why, f"{worked}: what follows is what was read before that work."]


def _facts(state: Mapping[str, Any], states: pl.DataFrame, reader: Reader) -> dict[str, str]:
    leeway = _counting(states)["leeway_pct"]
    days = state.get("days_since_read")
    return {
        "Leeway left": "not known" if leeway is None else f"{leeway:.0f} %{_least(states, leeway)}",
        "Last read": f"{reader.day(state.get('last_read_at'))}"
        + ("" if days is None else f", {count(round(days), 'day')} ago" if days > 0.5 else ", today"),
        "Open fault codes": "memory not read" if state.get("open_faults") is None else str(state["open_faults"]),
    }


def _counting(states: pl.DataFrame) -> dict[str, Any]:
    """The vehicle's leeway as lists of vehicles have it, and what is near a limit of which no fault follows."""
    rows = states.select("vehicle_id", "correction", "state", "leeway_pct")
    counts = leeway_that_counts(rows, states.rename({"correction": "code"})).to_dicts()
    return counts[0] if counts else {"leeway_pct": None, "near_without_code": None}


def _least(states: pl.DataFrame, leeway: float) -> str:
    """Whose leeway is the vehicle's: ' (Idle trim)'."""
    known = states.filter((pl.col("leeway_pct") - leeway).abs() < 0.01)  # the leading one first
    return f" ({known.item(0, 'title')})" if known.height else ""


def _leading(state: Mapping[str, Any], states: pl.DataFrame) -> str | None:
    known = states.get_column("correction").to_list()
    leading = state.get("leading_correction")
    return leading if leading in known else (known[0] if known else None)


@dataclass(frozen=True, kw_only=True)
class CauseView:
    """One likely cause with what the knowledge says of it."""

    name: str
    cause: str
    probability: float
    evidence: str
    bank: int | None = None
    cylinder: int | None = None
    checks: list[str] = field(default_factory=list)
    lookalikes: list[str] = field(default_factory=list)
    cautions: list[tuple[str, str]] = field(default_factory=list)  # title, text
    shows: str = ""  # when it shows or grows


def states_table(states: pl.DataFrame, reader: Reader) -> pl.DataFrame:
    """The vehicle's corrections as a table: title, state in words, value, expected, band, leeway, rates."""
    return states.select(
        "title",
        state=state_words(),
        value=_rounded("value"),
        expected=_rounded("expected"),
        band=pl.Series([_band(row) for row in states.to_dicts()], dtype=pl.String),
        unit=pl.Series([unit_word(unit) or None for unit in states.get_column("unit")], dtype=pl.String),
        z="z",
        rate_per_30d=_rounded("rate_per_30d"),
        rate_by_distance=_rounded("rate_per_1000km") * reader.per_thousand(1.0),
        leeway_pct="leeway_pct",
        code="correction",
    )


def _rounded(column: str) -> pl.Expr:
    """A figure to a tenth of the step that its correction is read in: what is finer was never read."""
    tenth = pl.col("resolution") / 10
    return pl.when(tenth > 0).then((pl.col(column) / tenth).round() * tenth + 0.0).otherwise(column)


def _band(row: Mapping[str, Any]) -> str | None:
    if row["band_low"] is None or row["band_high"] is None:
        return None
    return f"{number(row['band_low'], figures=3)} to {number(row['band_high'], figures=3)}"


@dataclass(frozen=True, kw_only=True)
class ForecastView:
    """The chance of a fault over each horizon, in words and as rows for the chart."""

    sentences: list[str]
    rows: pl.DataFrame
    basis: str


def forecast(vehicle_id: str, fault_forecast: pl.DataFrame, standing: Sequence[str] = ()) -> ForecastView:
    """Chances of at least one fault within 7, 30 and 90 days if nothing is repaired before.

    Args:
        vehicle_id: The fleet number.
        fault_forecast: Published table.
        standing: Codes that stand already, which the chances leave out.
    """
    mine = fault_forecast.filter(pl.col("vehicle_id") == vehicle_id).sort("horizon_days")
    stand = f"{listed(standing)} {'stands' if len(standing) == 1 else 'stand'} already: these are chances of another."
    said = [stand] if standing and mine.height else []
    for row in mine.to_dicts():
        code = f", most likely {row['likely_code']}" if row["likely_code"] else ""
        said.append(
            f"Within {row['horizon_days']} days: {percent(row['probability'])}"
            f"{_interval(percent(row['low']), percent(row['high']))}{code}."
        )
    bases = mine.get_column("basis").drop_nulls().unique(maintain_order=True).to_list()
    return ForecastView(sentences=said, rows=mine, basis=" ".join(f"{sentence(basis.rstrip('.'))}." for basis in bases))


def _interval(low: str, high: str) -> str:
    return f" (between {low} and {high})" if low != high else ""


def causes_of(
    vehicle_id: str,
    cause_ranking: pl.DataFrame,
    knowledge: Mapping[str, Cause],
    *,
    at_least: float = 0.03,
) -> list[CauseView]:
    """Likely causes, likeliest first, down to a probability below which a name would only distract.

    Args:
        vehicle_id: The fleet number.
        cause_ranking: Published table.
        knowledge: What is known of each cause, by its id.
        at_least: Smallest probability shown (0-1); the first is always shown.
    """
    rows = cause_ranking.filter(pl.col("vehicle_id") == vehicle_id).sort("rank", "cause").to_dicts()
    return [
        _cause_view(row, knowledge) for place, row in enumerate(rows) if place == 0 or row["probability"] >= at_least
    ]


def _cause_view(row: Mapping[str, Any], knowledge: Mapping[str, Cause]) -> CauseView:
    titles = {cause: known.title for cause, known in knowledge.items()}
    name = cause_name(row["cause"], row["bank"], row["cylinder"], titles)
    known = knowledge.get(row["cause"])
    shown = CauseView(
        name=name, cause=row["cause"], probability=row["probability"], evidence=row["evidence"] or "",
        bank=row["bank"], cylinder=row["cylinder"],
    )  # fmt: skip
    if known is None:
        return shown
    return replace(
        shown,
        checks=[f"{check.title}." for check in known.checks],
        lookalikes=[f"{titles.get(other, other)}: {apart}" for other, apart in known.apart.items()],
        cautions=[(caution.title, caution.text) for caution in known.cautions],
        shows=f"Shows: {known.driven_by}.",
    )


def cautions_of(causes: Sequence[CauseView]) -> list[tuple[str, str]]:
    """Title and text of every caution that concerns one of these causes, each once."""
    return list(dict.fromkeys(caution for cause in causes for caution in cause.cautions))
