"""Which corrections are of one kind: alike in all that a catalogue says but their bank or cylinder; frames in."""

from collections.abc import Sequence

import polars as pl

from pipelines.handover import Int64s

# What may differ between corrections of one kind; what one bank's or cylinder's rows say of themselves; definition.
OWN = ("code", "title", "bank", "cylinder", "rising_means", "falling_means", "fault_high", "fault_low", "needs")


def kinds(corrections: pl.DataFrame) -> dict[str, str]:
    """Code of each correction -> the first code of its kind, in the catalogue's order.

    Args:
        corrections: The contract's.
    """
    placed = pl.col("bank").is_not_null() | pl.col("cylinder").is_not_null()
    alone = pl.when(placed).then(pl.lit("")).otherwise(pl.col("code"))
    alike = [name for name in corrections.columns if name not in OWN]
    first = corrections.select("code", pl.col("code").first().over(*alike, placed, alone).alias("kind"))
    return dict(first.iter_rows())


def sides_of(corrections: pl.DataFrame, codes: Sequence[str]) -> tuple[str, ...]:
    """Names of kinds' sides, the low one, then the high one, of all kinds that some corrections are of."""
    of_code = kinds(corrections)
    names = sorted({of_code[code] for code in codes})
    return tuple(f"{name} {side}" for name in names for side in ("low", "high"))


def kind_numbers(corrections: pl.DataFrame, codes: Sequence[str], sides: Sequence[str]) -> Int64s:
    """Place of each correction's kind among the kinds whose sides these are, [C]."""
    place = {name.removesuffix(" low"): number for number, name in enumerate(sides[::2])}
    of_code = kinds(corrections)
    return pl.Series([place[of_code[code]] for code in codes], dtype=pl.Int64).to_numpy()
