"""Why a vehicle stands at its urgency, in a sentence that names the reason: code, cause, limit date, chance or age."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import polars as pl

from pipelines.catalogue.corrections import code_titles, own_code_titles
from pipelines.causes.knowledge import causes
from pipelines.figure_words import day_words, days_ago, percent
from pipelines.handover import Evidence

AGED_DAYS = 7.0  # from which on the age of the reading stands beside the reason: a week's rhythm is no news
MOST_CODES = 3  # named in one sentence
OFF_ROAD_STAYS = "It stays off the road until a reading or a signed-off check says otherwise."

Sentence = Callable[[dict[str, Any], "Words"], str]


class Words:
    """What codes and corrections of a fleet are called, and the day that sentences are written on."""

    def __init__(self, evidence: Evidence) -> None:
        self.as_of: datetime = evidence.as_of
        self.corrections: dict[str, str] = dict(
            evidence.corrections.select("code", pl.col("title").fill_null(pl.col("code"))).iter_rows()
        )
        self._own = own_code_titles(evidence.corrections)

        sides = evidence.corrections.select(pl.col("fault_low", "fault_high").fill_null(""))
        self._without_code = set(evidence.corrections.filter((sides["fault_low"] + sides["fault_high"]) == "")["code"])

    def no_code(self, correction: str | None) -> str:
        """', which sets no code' of a correction whose limits set none; else nothing."""
        return ", which sets no code" if correction in self._without_code else ""

    def code(self, code: str) -> str:
        """'P0335 (crankshaft position sensor circuit)'; a code nobody titles stands alone."""
        title = code_titles().get(code[:5]) or self._own.get(code[:5])
        return f"{code} ({title[:1].lower()}{title[1:]})" if title else code

    def codes(self, codes: list[str]) -> str:
        """The first few, and how many more."""
        named = [self.code(code) for code in codes[:MOST_CODES]]
        more = len(codes) - len(named)
        return ", ".join(named) + (f" and {more} more" if more else "")

    def correction(self, code: str | None) -> str:
        """The catalogue's title, or the code."""
        return self.corrections.get(code or "", code or "a correction")

    def day(self, at: datetime) -> str:
        """'2 July'."""
        return day_words(at, self.as_of)


def urgency_reason(row: dict[str, Any], words: Words) -> str | None:
    """The sentence; None for a vehicle that needs nothing and of which nothing new is withheld.

    Args:
        row: One vehicle with `urgency`, `why` (the criterion met first) and the facts that the criteria rest on.
        words: What things are called.
    """
    withheld = _withheld(row, words)
    if row["urgency"] == "none":
        return withheld or None
    said = [_because(row, words)]
    if row["worked_on_at"] is not None and row["why"] != "worked_on" and row["fate"] not in {"cleared", "worked_on"}:
        said.append(f"Worked on {words.day(row['worked_on_at'])}, not read since.")
    if row["urgency"] == "off_road" and row["fate"] != "stands":
        said.append(OFF_ROAD_STAYS)
    if row["why"] not in {"old", "never_read"} and (row["days_since_read"] or 0.0) > AGED_DAYS:
        age = days_ago(row["days_since_read"]).removesuffix(" ago")
        said.append(f"The newest {'good ' if withheld else ''}reading is {age} old.")
    return " ".join([*said, withheld]).rstrip()


def _withheld(row: dict[str, Any], words: Words) -> str:
    """That the newest readings wait for a decision, and what is shown instead; empty: they do not."""
    held = row["newest_held"]
    if not held:
        return ""
    newest = "Its newest reading is" if held == 1 else f"Its {held} newest readings are"
    good = row["last_read_at"]
    last = f"the last good one is of {words.day(good)}" if good is not None else "there is no other"
    return f"{newest} withheld until decided; {last}."


def _because(row: dict[str, Any], words: Words) -> str:
    """The criterion's own sentence."""
    return SENTENCES[row["why"]](row, words)


def _never_read(row: dict[str, Any], words: Words) -> str:  # noqa: ARG001 - a sentence like the others
    return "It was never read."


def _old(row: dict[str, Any], words: Words) -> str:
    ago = days_ago(row["days_since_read"])
    return f"Not read since {words.day(row['last_read_at'])}, {ago}{_then(row, words)}."


def _limit(row: dict[str, Any], words: Words) -> str:
    correction = words.correction(row["limit_correction"])
    if row["limit_at"] <= words.as_of:
        return f"{correction} is at its limit or about to meet it{words.no_code(row['limit_correction'])}."
    return f"{correction} meets its limit about {words.day(row['limit_at'])}{words.no_code(row['limit_correction'])}."


def _worked_on(row: dict[str, Any], words: Words) -> str:
    return f"Worked on {words.day(row['worked_on_at'])}, not read since: a reading tells whether the work held."


def _strays(row: dict[str, Any], words: Words) -> str:
    state = "drifts" if row["strays"] == "drifting" else "is outside its normal band"
    towards = words.no_code(row["strays_correction"])
    left = f"{row['strays_leeway']:.0f} % leeway left" + (f" towards its limit{towards}" if towards else "")
    return f"{words.correction(row['strays_correction'])} {state} with {left}."


def _chance_within(days: int) -> Sentence:
    def chance(row: dict[str, Any], words: Words) -> str:
        code = f", most likely {words.code(row['likely_code'])}" if row["likely_code"] else ""
        return f"Chance of a fault within {days} days: {percent(row[f'p{days}'])}{code}."

    return chance


def _rule(row: dict[str, Any], words: Words) -> str:
    if row["rule_found"] is not None:
        when = f", {words.day(row['seen_at'])}"
        since = f", worked on {_on(row, words)}, not read since" if row["fate"] == "worked_on" else ""
        return f"{row['rule_found']}{when}{since}: {row['rule_reason']}."
    if row["rule_code"] is None:
        cause = causes().get(row["rule_cause"])
        title = cause.title if cause else row["rule_cause"]
        return f"Likely {title[:1].lower()}{title[1:]} ({percent(row['rule_chance'])}): {row['rule_reason']}."
    code, seen = words.code(row["rule_code"]), words.day(row["seen_at"])
    fate = {
        "stands": f"{code} stands",
        "cleared": f"{code} stood on {seen} and was cleared on {_on(row, words)}, not read since",
        "worked_on": f"{code} stood on {seen}, worked on {_on(row, words)}, not read since",
        "lost": f"{code} stood on {seen} and was lost with the power, not cured",
    }
    return f"{fate[row['fate']]}: {row['rule_reason']}."


def _on(row: dict[str, Any], words: Words) -> str:
    return words.day(row["fate_at"]) if row["fate_at"] is not None else ""


def _then(row: dict[str, Any], words: Words) -> str:
    """What stood at that reading."""
    if row["standing"]:
        return f"; {words.codes(row['standing'])} stood then"
    if row["strays"]:
        return f"; {words.correction(row['strays_correction'])} strayed then"
    return ""


def _codes(row: dict[str, Any], words: Words) -> str:
    codes: list[str] = row["standing"]
    named, seen = words.codes(codes), words.day(row["standing_seen_at"])
    if row["standing_fate"] == "lost":
        return f"{named} stood on {seen} and {'was' if len(codes) == 1 else 'were'} lost with the power, not cured."
    since = "" if row["open_faults"] is not None else f" since {seen}, memory not read since"
    return f"{named} {'stands' if len(codes) == 1 else 'stand'}{since}."


SENTENCES: dict[str, Sentence] = {  # by the criterion that is met first
    "rule": _rule,
    "never_read": _never_read,
    "old": _old,
    "limit": _limit,
    "chance_7": _chance_within(7),
    "chance_30": _chance_within(30),
    "chance_90": _chance_within(90),
    "codes": _codes,
    "worked_on": _worked_on,
    "strays": _strays,
}
