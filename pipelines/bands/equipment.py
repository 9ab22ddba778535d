"""Which corrections a family has: catalogue and families in, codes out."""

import polars as pl


def fitted_codes(corrections: pl.DataFrame, families: pl.DataFrame, family: str) -> list[str]:
    """Codes of the corrections that vehicles of this family have, in the catalogue's order.

    A family that is not described, or whose `fitted` is empty, is taken to have everything its number of cylinders and
    banks allows.

    Args:
        corrections: The catalogue (contract, section 1).
        families: The contract's table `families`.
        family: An engine family, described there or not.
    """
    described = families.filter(pl.col("engine_family") == family).to_dicts()
    if not described:
        return corrections["code"].to_list()
    row = described[0]
    has = pl.lit(True)
    for count, column in (("cylinders", "cylinder"), ("banks", "bank")):
        if row[count] is not None:
            has = has & (pl.col(column).is_null() | (pl.col(column) <= row[count]))
    if row["fitted"]:
        words = row["fitted"].split()
        needs = pl.col("needs").fill_null("").str.split("|").list.eval(pl.element().filter(pl.element() != ""))
        has = has & (needs.list.set_difference(pl.lit(words)).list.len() == 0)
    return corrections.filter(has)["code"].to_list()
