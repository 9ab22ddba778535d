"""Published rows with the words of the catalogue beside them; what every other view starts from."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

TITLE_COLUMNS = (
    "title", "unit", "neutral", "low_limit", "high_limit", "group", "bank", "cylinder", "component", "rising_means",
    "falling_means", "fault_high", "fault_low", "resolution",
)  # fmt: skip


def bare_title() -> pl.Expr:
    """The catalogue's title, or the code where it has none, without a remark in brackets at its end."""
    return pl.col("title").fill_null(pl.col("code")).str.replace(r"(.)\s*\([^()]*\)$", "${1}")


def with_catalogue(rows: pl.DataFrame, corrections: pl.DataFrame, *, on: str = "correction") -> pl.DataFrame:
    """The same rows in the same order with title, unit and limits; a code not in the catalogue titles itself.

    Args:
        rows: Any frame with a column of correction codes.
        corrections: The catalogue, key `code`.
        on: Name of the column of codes.
    """
    words = corrections.select("code", *TITLE_COLUMNS).with_columns(title=bare_title())
    return rows.join(words, left_on=on, right_on="code", how="left", maintain_order="left").with_columns(
        pl.col("title").fill_null(pl.col(on)), pl.col("unit").fill_null("")
    )


def in_kind_of(rows: pl.DataFrame, others: pl.DataFrame) -> pl.DataFrame:
    """The rows with vehicle_id in the kind (text or Enum) in which other rows hold it, so that they can be joined."""
    return rows.with_columns(pl.col("vehicle_id").cast(others.schema["vehicle_id"], strict=False))


def with_vehicles(rows: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """The same rows in the same order with engine_family, depot and duty of each vehicle."""
    return rows.join(
        in_kind_of(vehicles.select("vehicle_id", "engine_family", "depot", "duty"), rows),
        on="vehicle_id",
        how="left",
        maintain_order="left",
    )


def distinct_titles(codes: pl.Series, corrections: pl.DataFrame) -> dict[str, str]:
    """What a picker shows for each code, in their order: its title, with the code where a title occurs twice."""
    bare = corrections.select("code", title=bare_title())
    titles = dict(bare.iter_rows())
    twice = set(bare.filter(pl.col("title").is_duplicated()).get_column("title"))
    named = ((code, titles.get(code, code)) for code in codes)
    return {code: f"{title} ({code})" if title in twice else title for code, title in named}


def choices(vehicles: pl.DataFrame, column: str) -> list[str]:
    """What a filter offers: the column's values, sorted, absent ones left out."""
    return sorted(vehicles.get_column(column).drop_nulls().unique().to_list())


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What the reader picked, by column; nothing picked in a column: all."""

    depot: Sequence[str] = ()
    engine_family: Sequence[str] = ()
    calibration: Sequence[str] = ()
    urgency: Sequence[str] = ()

    def of(self, rows: pl.DataFrame, *columns: str) -> pl.DataFrame:
        """The rows that match what was picked in these columns."""
        for column in columns:
            picked: Sequence[str] = getattr(self, column)
            if picked:
                rows = rows.filter(pl.col(column).is_in(list(picked)))
        return rows
