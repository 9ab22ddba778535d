"""All corrections of one vehicle at a glance: each a small line, by group of the catalogue, all to the same measure."""

import polars as pl

from dashboard.palette import STATE, look
from dashboard.views.joined import with_catalogue
from pipelines.workplan.urgency import STRAYS

MOST_READINGS = 80  # of one line: what two hundred pixels can show (judgement)
FARTHEST = 3.0  # half-bands from expected at which a line meets the edge of its lane (judgement)


def lanes(paths: pl.DataFrame, states: pl.DataFrame, corrections: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Lines by group of the catalogue.

    Args:
        paths: `correction, read_at, expected, level, band_low, band_high` of one vehicle.
        states: Its rows of `correction_state`.
        corrections: The catalogue.

    Returns:
        By the group's name: `title, read_at, away` (half-bands from expected, cut at FARTHEST; above is positive),
        `state` (word), by title and time; groups with most of the vehicle's straying corrections first.
    """
    half = (pl.col("band_high") - pl.col("band_low")) / 2
    drawn = (
        paths.with_columns(away=((pl.col("level") - pl.col("expected")) / half).clip(-FARTHEST, FARTHEST))
        .filter(pl.col("away").is_finite())
        .with_columns(turn=pl.int_range(pl.len()).over("correction"), lines=pl.len().over("correction"))
        .filter((pl.col("lines") - 1 - pl.col("turn")) % (1 + pl.col("lines") // MOST_READINGS) == 0)
    )
    words = {name: each.word for name, each in STATE.items()}
    named = with_catalogue(drawn.join(states.select("correction", "state"), on="correction"), corrections).with_columns(
        pl.col("state").replace_strict(words, default=look(STATE, None).word, return_dtype=pl.String),
        pl.col("group").fill_null("other"),
    )
    parts = named.sort("title", "read_at").partition_by("group", as_dict=True, maintain_order=True)
    return {
        str(group): rows.select("title", "read_at", "away", "state")
        for (group,), rows in sorted(parts.items(), key=_strays_most)
    }


def _strays_most(part: tuple[tuple[object, ...], pl.DataFrame]) -> tuple[int, int, str]:
    (group,), rows = part
    stray = rows.filter(pl.col("state").is_in([STATE[name].word for name in STRAYS]))
    return -stray["title"].n_unique(), -rows["title"].n_unique(), str(group)
