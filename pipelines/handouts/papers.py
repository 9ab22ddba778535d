"""Job cards, sheets of a week, claim packs and suppliers' pages as PDF, set by typst with its own fonts."""

import json
from datetime import datetime
from functools import cache
from importlib.resources import files
from itertools import groupby
from typing import Any

import typst

from pipelines.handouts.claims import Claim
from pipelines.handouts.gather import Papers
from pipelines.visible import visible

CARD_WORDS = ("vehicle", "about", "depot", "day", "start", "bay", "jobs", "reason", "part")


def card_pdf(card: dict[str, Any], papers: Papers) -> bytes:
    """The job card of one visit."""
    return _set("card.typ", {**card, "as_of": _as_of(papers)})


def week_pdf(depot: str, papers: Papers) -> bytes:
    """The visits of one depot by day ('': of vehicles without one)."""
    mine = [card for card in papers.cards if card["depot"] == depot]
    ordered = sorted(mine, key=lambda card: (card["date"] or "9", card["start"], card["bay"], card["vehicle"]))
    days = [
        {"name": name, "visits": [{word: card[word] for word in (*CARD_WORDS, "hours")} for card in some]}
        for name, some in groupby(ordered, key=lambda card: card["day"])
    ]
    return _set("week.typ", {"depot": depot or "no depot", "days": days, "as_of": _as_of(papers)})


def claim_pdf(claim: Claim, papers: Papers) -> bytes:
    """What a dealer is shown of one vehicle."""
    return _set("claim.typ", {**claim.form, "as_of": _as_of(papers)})


def supplier_pdf(record: dict[str, Any], as_of: datetime) -> bytes:
    """What came back of one part, for its supplier."""
    return _set("supplier.typ", {**record, "as_of": _said(as_of)})


def _as_of(papers: Papers) -> str:
    return _said(papers.as_of)


def _said(as_of: datetime) -> str:
    return f"{as_of:%d %B %Y, %H:%M} UTC"


def _set(form: str, data: dict[str, Any]) -> bytes:
    made = typst.compile(_form(form), sys_inputs={"data": json.dumps(_shown(data))}, format="pdf")
    return bytes(made)


@cache
def _form(name: str) -> bytes:
    return files("pipelines.handouts").joinpath(name).read_bytes()


def _shown(data: Any) -> Any:
    """The same with what steers made visible in every text."""
    if isinstance(data, str):
        return visible(data)
    if isinstance(data, dict):
        return {name: _shown(value) for name, value in data.items()}
    return [_shown(value) for value in data] if isinstance(data, list) else data
