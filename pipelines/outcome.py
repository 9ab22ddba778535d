"""What an analysis found, in a few lines for whoever ran it: who strays and by how much, who is still being learned."""

import polars as pl

from pipelines.bands.normal import LEAST_SETTLED
from pipelines.visible import visible

MOST_VEHICLES = 10  # that have a line
URGENCIES = ("off_road", "this_week", "plan", "unknown", "none")  # most urgent first
NAMED = ("outside", "drifting")
OTHERS = {
    "steady": "steady", "relearning": f"being learned: about {LEAST_SETTLED} settled readings are needed",
    "not_learning": "not learning", "not_read": "without a correction that was read",
    "not_fitted": "without a correction that is fitted",
}  # fmt: skip


def outcome(vehicle_state: pl.DataFrame, correction_state: pl.DataFrame, corrections: pl.DataFrame) -> list[str]:
    """A line for each vehicle that strays or waits for somebody, most urgent first, and one for all others.

    Args:
        vehicle_state: As published.
        correction_state: Likewise.
        corrections: The catalogue: code, title, unit.
    """
    leading = correction_state.select(
        "vehicle_id", "value", "expected", pl.col("correction").alias("leading_correction"),
        pl.col("state").alias("correction_is"),
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
    rest = vehicle_state.join(found, on="vehicle_id", how="anti")["state"].value_counts().rows()
    said = [f"{count} {OTHERS[state]}" for state, count in sorted(rest, key=lambda row: list(OTHERS).index(row[0]))]
    return [*lines, f"{'Others' if lines else 'Vehicles'}: {'; '.join(said)}."] if said else lines


def _line(row: dict[str, object]) -> str:
    name = visible(str(row["vehicle_id"]))
    if row["correction_is"] not in NAMED or row["value"] is None or row["expected"] is None:
        return f"{name}: {row['state']}. {row['urgency_reason'] or ''}".rstrip()
    unit = f" {row['unit']}" if row["unit"] not in (None, "", "1") else ""
    left = "" if row["leeway_pct"] is None else f", leeway {row['leeway_pct']:.0f} %"
    title = row["title"] or row["leading_correction"]
    return (
        f"{name} is {row['correction_is']}: {title} reads {row['value']:.3g}{unit} where {row['expected']:.3g}{unit} "
        f"is expected{left}. {row['urgency_reason'] or ''}"
    ).rstrip()
