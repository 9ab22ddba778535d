"""Text from data as it may be shown: what would steer a terminal or the order of letters is written out.

Left as they are: letters of every script, signs, blanks, and the marks with which scripts join their letters.
"""

import re

# Control characters (a terminal's escape sequences begin with one), separators of lines and paragraphs, overrides of
# the direction of writing, tags that nobody sees.
STEERING = "\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\U000e0000-\U000e007f"
HALVES = "\ud800-\udfff"  # as which Python holds the bytes of a file's name that are no text
_FOUND = re.compile(f"[{STEERING}{HALVES}]")


def visible(text: str) -> str:
    r"""The text on one line with everything that steers written out: an escape as `\x1b`, a line's end as `\n`."""
    return _FOUND.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)
