"""How often a cause that was named was found, where somebody looked and said what it was."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
from scipy.stats import beta

from dashboard.views.wording import count, percent

SHARES = ("share", "low", "high")
FOUND = pl.Schema(
    {
        "cause": pl.String(), "cases": pl.Int64(), "looked_into": pl.Int64(), "confirmed": pl.Int64(),
        "share": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(), "spread": pl.Float64(),
    }
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class NamedAndFound:
    """A title, a sentence over all causes, and a row a cause (shares in percent)."""

    title: str
    sentence: str
    rows: pl.DataFrame


def named_and_found(cause_confirmed: pl.DataFrame, names: Mapping[str, str]) -> NamedAndFound:
    """What confirmed repairs say of the causes that were named before them.

    Args:
        cause_confirmed: Published table; without columns where the state was analysed before it was published.
        names: What causes are called.
    """
    known = pl.DataFrame(schema=FOUND)
    if cause_confirmed.width:
        present = [name for name in FOUND if name in cause_confirmed.columns]
        known = pl.concat([known, cause_confirmed.select(present).cast({n: FOUND[n] for n in present})], how="diagonal")
    looked, right, cases = (int(known[name].fill_null(0).sum()) for name in ("looked_into", "confirmed", "cases"))
    if not cases and not looked:
        return NamedAndFound(
            title="Causes that were named and found: none on record yet",
            sentence="No work says yet what it turned out to be (column cause of work, no_fault_found and other "
            "included). Once some does, it stands here how often what was named was so, and the causes learn from it.",
            rows=known.clear(),
        )
    low, high = beta.ppf([0.05, 0.95], right + 0.5, looked - right + 0.5)  # Jeffreys (1946)
    said = (
        f"{count(cases, 'confirmed case')} of this fleet {'stands' if cases == 1 else 'stand'} behind the rankings. "
        + (
            f"Of {count(looked, 'cause')} that {'was' if looked == 1 else 'were'} named first and looked into, {right} "
            f"{'was' if right == 1 else 'were'} so: {percent(right / looked)} "
            f"(between {percent(low)} and {percent(high)})."
            if looked
            else "None of them showed in the readings before the work."
        )
    )
    title = f"Causes that were named and found: {right} of {looked}" if looked else "Causes that were found"
    named = known.with_columns(
        pl.col("cause").replace(names).str.replace_all("_", " "), *(pl.col(name) * 100 for name in SHARES)
    )
    return NamedAndFound(title=title, sentence=said, rows=named)
