"""What an analysis found, in a few lines for whoever ran it: who strays and by how much, who is still being learned."""

from collections.abc import Mapping

import polars as pl

from pipelines.bands.normal import LEAST_SETTLED
from pipelines.visible import visible

MOST_VEHICLES = 10  # that have a line
URGENCIES = ("off_road", "this_week", "plan", "unknown", "none")  # most urgent first
LEADING = ("vehicle_id", "correction", "value", "expected", "deviation", "state", "leeway_pct")
NAMED = ("outside", "drifting")
SLOW_SHOWS = 20  # readings whose own scatter is known well enough for slow changes; judgement
# What a vehicle's readings bring, by how many there are.
BRINGS = (
    (2, "the second bears out a level that stands out, or shows that it was misread"),
    (LEAST_SETTLED, "from the {n}th on a change raises an alarm"),
    (SLOW_SHOWS, "from about the {n}th on slow changes show too"),
)
OTHERS = {
    "steady": "steady",
    "relearning": f"with corrections that are being learned anew (about {LEAST_SETTLED} settled readings each)",
    "not_learning": "not learning", "not_read": "without a correction that was read",
    "not_fitted": "without a correction that is fitted",
}  # fmt: skip


def to_come(readings: int) -> str:
    """What further readings of a vehicle will bring."""
    return "; ".join(words.format(n=n) for n, words in BRINGS if readings < n)


def outcome(
    vehicle_state: pl.DataFrame, correction_state: pl.DataFrame, corrections: pl.DataFrame, *, read: Mapping[str, int]
) -> list[str]:
    """A line for each vehicle that strays or waits for somebody, most urgent first, and one or two for all others.

    Args:
        vehicle_state: As published.
        correction_state: Likewise, the columns LEADING.
        corrections: The catalogue: code, title, unit.
        read: How often each vehicle was read.
    """
    leading = correction_state.select(
        "vehicle_id", "value", "expected", (pl.col("expected") + pl.col("deviation")).alias("level"),
        pl.col("correction").alias("leading_correction"),
        pl.col("state").alias("correction_is"), pl.col("leeway_pct").alias("leeway_of_it"),
    )  # fmt: skip
    titles = corrections.select(pl.col("code").alias("leading_correction"), "title", "unit")
    urgent = pl.col("urgency").is_in(URGENCIES[:3])
    found = (
        vehicle_state.filter(pl.col("state").is_in(NAMED) | urgent)
        .join(leading, on=["vehicle_id", "leading_correction"], how="left")
        .join(titles, on="leading_correction", how="left")
        .sort(pl.col("urgency").cast(pl.Enum(URGENCIES)), "leeway_pct", "vehicle_id", nulls_last=True)
    )
    lines = [_line(row) for row in found.head(MOST_VEHICLES).iter_rows(named=True)]
    if found.height > MOST_VEHICLES:
        lines.append(f"... and {found.height - MOST_VEHICLES} more.")
    rest = vehicle_state.join(found, on="vehicle_id", how="anti")
    young = {
        vehicle: read[vehicle]
        for vehicle in rest.filter(pl.col("state") == "relearning")["vehicle_id"]
        if read.get(vehicle, LEAST_SETTLED) < LEAST_SETTLED
    }
    counts = rest.filter(~pl.col("vehicle_id").is_in(list(young)))["state"].value_counts().rows()
    said = [f"{count} {OTHERS[state]}" for state, count in sorted(counts, key=lambda row: list(OTHERS).index(row[0]))]
    if said:
        lines.append(f"{'Others' if lines else 'Vehicles'}: {'; '.join(said)}.")
    return [*lines, _learning(young)] if young else lines


def _learning(young: Mapping[str, int]) -> str:
    """Vehicles of which too few readings came to tell a change."""
    least, most = min(young.values()), max(young.values())
    who = visible(next(iter(young))) if len(young) == 1 else f"{len(young)} vehicles"
    many = f"{most}" if least == most else f"{least} to {most}"
    return (
        f"{who}: learning, {many} of about {LEAST_SETTLED} readings. Until then a level shows only where it is beyond "
        f"what healthy engines hold. What is to come: {to_come(most)}."
    )


def _line(row: dict[str, object]) -> str:
    name = visible(str(row["vehicle_id"]))
    if row["correction_is"] not in NAMED or row["value"] is None or row["expected"] is None:
        return f"{name}: {row['state']}. {row['urgency_reason'] or ''}".rstrip()
    unit = f" {row['unit']}" if row["unit"] not in (None, "", "1", "ratio") else ""
    level = "" if row["level"] is None else f" at its smoothed level of {row['level']:.3g}{unit}"
    left = "" if row["leeway_of_it"] is None else f", leeway {row['leeway_of_it']:.0f} %{level}"
    title = row["title"] or row["leading_correction"]
    return (
        f"{name} is {row['correction_is']}: {title} reads {row['value']:.3g}{unit} where {row['expected']:.3g}{unit} "
        f"is expected{left}. {row['urgency_reason'] or ''}"
    ).rstrip()
