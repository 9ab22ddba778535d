"""Which leeway a list of vehicles goes by: that towards limits that set a code; others are said, not counted."""

import polars as pl

from dashboard.views.joined import bare_title

NOT_JUDGED = ("not_read", "not_fitted")
NEAR_PCT = 30.0  # leeway from which on a limit that sets no code is told beside (judgement)


def leeway_that_counts(correction_state: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """One row a vehicle: leeway_pct, and near_without_code, what is near a limit of which no fault follows.

    leeway_pct is the least of its corrections whose catalogue names a code; of a vehicle that has none of those, the
    least of all. near_without_code is a sentence; null: nothing is, or all that is counts.

    Args:
        correction_state: Published table; of a correction without codes it has the leeway towards both limits.
        corrections: The catalogue.
    """
    sides = pl.concat_str(pl.col("fault_low", "fault_high").fill_null(""))
    words = corrections.select(correction="code", title=bare_title(), coded=sides != "")
    judged = correction_state.filter(~pl.col("state").is_in(NOT_JUDGED), pl.col("leeway_pct").is_not_null())
    known = (
        judged.join(words, on="correction", how="left")
        .with_columns(pl.col("coded").fill_null(value=False), pl.col("title").fill_null(pl.col("correction")))
        .sort("vehicle_id", "leeway_pct", "correction")
    )
    coded, without = pl.col("leeway_pct").filter("coded"), pl.col("leeway_pct").filter(~pl.col("coded"))
    least = known.group_by("vehicle_id", maintain_order=True).agg(
        leeway=coded.min(), all_of_them=pl.col("leeway_pct").min(), without=without.min(),
        title=pl.col("title").filter(~pl.col("coded")).first(),
    )  # fmt: skip
    near = (pl.col("without") <= NEAR_PCT) & (pl.col("without") < pl.col("leeway"))
    said = pl.format("{} is near a limit that sets no code.", "title")
    return least.select(
        "vehicle_id", leeway_pct=pl.coalesce("leeway", "all_of_them"), near_without_code=pl.when(near).then(said)
    )
