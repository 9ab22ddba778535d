"""Whether the cause that is named first moves the correction that leads, in words; frames and knowledge in."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboard.views.vehicle import CauseView
from pipelines.causes.affected import family_places


def moved_by_causes(family: str, corrections: pl.DataFrame, families: pl.DataFrame) -> dict[str, frozenset[str]]:
    """By cause: the corrections of an engine family that it moves, by what is known of causes.

    Args:
        family: Its name.
        corrections: The catalogue.
        families: The drop table `families`.
    """
    codes = tuple(corrections.get_column("code").to_list())
    places = family_places(codes, family, corrections=corrections, families=families)
    return {
        cause: frozenset(code for code, moves in zip(codes, moved, strict=True) if moves)
        for cause, moved in places.by_cause.items()
    }


def leading_words(lead: Mapping[str, Any], cause: CauseView, moved: Mapping[str, frozenset[str]]) -> str:
    """What the first cause has to do with the correction that leads; empty where what speaks for it names that.

    Args:
        lead: Row of the leading correction, with the catalogue's words.
        cause: The cause that is named first.
        moved: As `moved_by_causes` gives it.
    """
    title, about = lead["title"], moved.get(cause.cause)
    if about is None or title in cause.evidence:
        return ""
    elsewhere = cause.bank is not None and lead["bank"] is not None and cause.bank != lead["bank"]
    if lead["correction"] in about and not elsewhere:
        return f"It moves {title} too, which leads here."
    rest = "that is left to the one beside it" if "Beside it: " in cause.evidence else "look for a second cause"
    return f"It does not explain {title}, which leads here: {rest}."
