"""Our colours, marks and words for states: each colour stands beside a mark and a word, never alone.

Colours hold 2.8:1 against both backgrounds of `theme.toml` and stay apart under the common colour-vision deficiencies
(tests/dashboard/test_palette.py).
"""

from dataclasses import dataclass

INK = "#717C82"  # axes, expected values, anything that is only context
BAND = "#8FA3AD"  # the normal band, drawn translucent
LIMIT = "#BC3A2E"
READING = "#2B6CB0"
GROUPS = ("#2B6CB0", "#C08217", "#3FA08A", "#B03A3A", "#71767C")  # groups beyond the fifth are drawn together
DASHES = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 4])

WORDS_IN_CHARTS = {"light": "#46525A", "dark": "#BCC4C6"}  # 4.5:1 and more against the background of either theme
DARK_WORDS, LIGHT_WORDS = "#10181C", "#FFFFFF"  # on a coloured field, whichever is read better


@dataclass(frozen=True, kw_only=True)
class Look:
    """How one state looks and reads: a word for the reader, a mark for tables, a shape for charts, a colour."""

    word: str
    mark: str
    shape: str
    colour: str
    meaning: str
    words: str = LIGHT_WORDS  # colour of what is written on a field of its colour

    @property
    def label(self) -> str:
        """Mark and word together, as tables show it."""
        return f"{self.mark} {self.word}"


URGENCY = {  # most urgent first
    "off_road": Look(
        word="Off the road now",
        mark="■",
        shape="square",
        colour="#BC3A2E",
        meaning="Driving on can hurt someone or the engine. Park it, then look.",
    ),
    "this_week": Look(
        word="This week",
        mark="▲",
        shape="triangle-up",
        colour="#C08217",
        words=DARK_WORDS,
        meaning="A fault is likely soon or stands already. Look at it this week.",
    ),
    "plan": Look(
        word="Plan it",
        mark="◆",
        shape="diamond",
        colour="#2B6CB0",
        meaning="It strays, or a fault may come later; there is time. Put it with other work.",
    ),
    "none": Look(
        word="Nothing to do",
        mark="●",
        shape="circle",
        colour="#5BA38C",
        words=DARK_WORDS,
        meaning="Nothing strays so far that work on it would pay.",
    ),
    "unknown": Look(
        word="Not known",
        mark="○",
        shape="stroke",
        colour="#71767C",
        meaning="Too little was read, or not lately. This is not a clean bill of health.",
    ),
}

STATE = {  # worst first
    "outside": Look(
        word="Outside its band",
        mark="■",
        shape="square",
        colour="#BC3A2E",
        meaning="It stands outside what this vehicle should read and moves no further.",
    ),
    "drifting": Look(
        word="Drifting",
        mark="▲",
        shape="triangle-up",
        colour="#C08217",
        words=DARK_WORDS,
        meaning="It moves away from what this vehicle should read.",
    ),
    "not_learning": Look(
        word="Not learning",
        mark="◇",
        shape="diamond",
        colour="#71767C",
        meaning="It stands still to the last digit while the vehicle is used. That is not steadiness.",
    ),
    "relearning": Look(
        word="Relearning",
        mark="◆",
        shape="diamond",
        colour="#2B6CB0",
        meaning="It was set back lately and is on its way to its normal level.",
    ),
    "steady": Look(
        word="Steady",
        mark="●",
        shape="circle",
        colour="#5BA38C",
        words=DARK_WORDS,
        meaning="It is where it should be.",
    ),
    "not_read": Look(
        word="Not read",
        mark="○",
        shape="stroke",
        colour="#71767C",
        meaning="The vehicle has it, but no reading brought it lately.",
    ),
    "not_fitted": Look(
        word="Not fitted",
        mark="\N{EN DASH}",
        shape="stroke",
        colour="#71767C",
        meaning="This engine family does not have it.",
    ),
}

VERDICT = {
    "came_back": Look(
        word="Came back",
        mark="■",
        shape="square",
        colour="#BC3A2E",
        meaning="The same correction strays again.",
    ),
    "not_reset": Look(
        word="Not reset",
        mark="▲",
        shape="triangle-up",
        colour="#C08217",
        words=DARK_WORDS,
        meaning="The part was changed, the learned value was not set back and is unwinding.",
    ),
    "relearning": Look(
        word="Relearning",
        mark="◆",
        shape="diamond",
        colour="#2B6CB0",
        meaning="Too early to tell; it is learning anew.",
    ),
    "held": Look(
        word="Held",
        mark="●",
        shape="circle",
        colour="#5BA38C",
        words=DARK_WORDS,
        meaning="It went back to normal and stays.",
    ),
    "undecided": Look(
        word="Undecided",
        mark="○",
        shape="stroke",
        colour="#71767C",
        meaning="Too little was read since.",
    ),
}


def look(looks: dict[str, Look], state: str | None) -> Look:
    """The look of a state; a state not known to this release is shown by its own name."""
    known = looks.get(state or "")
    if known is not None:
        return known
    word = (state or "not known").replace("_", " ").capitalize()
    return Look(word=word, mark="○", shape="stroke", colour="#71767C", meaning="")


def chart_words(scheme: str | None) -> dict[str, dict[str, str]]:
    """Vega-Lite's configuration for a theme: the colour of everything written and of lines without one of their own.

    Args:
        scheme: 'light' or 'dark'; otherwise nothing is configured.
    """
    colour = WORDS_IN_CHARTS.get(scheme or "")
    if colour is None:
        return {}
    written = {"labelColor": colour, "titleColor": colour}
    return {"axis": written, "legend": written, "header": written, "text": {"color": colour}, "rule": {"color": colour}}
