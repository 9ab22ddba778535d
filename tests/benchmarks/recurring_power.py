"""How often shuffled fleets give a finding, and how often a planted one is found; prints figures against their targets.

Beside it what could be found at all: the exact test of the planted pair alone, at the level that the first of all
stories must reach, and at 5 % as if nothing else had been tried.

python tests/benchmarks/recurring_power.py [PERMUTATIONS] [SEEDS]
"""

import sys
from datetime import UTC, datetime

import numpy as np
import polars as pl

from pipelines.recurring.comparing import pairs_of, places_of, things_of
from pipelines.recurring.stories import FINDING, Story, findings_of, stories_of

VEHICLES, MONTHS, THINGS = 300, 18, 30
FACTORS = ("depot", "duty", "calibration", "model_year")
STRATA = ("engine_family", "start_quarter")
PLANT = ("depot", "Saltings", "thing-00")
PLANTS = ((1.5, 160), (2.0, 40), (3.0, 20))  # rate ratio, exposed events expected without and with it


def fleet(rng: np.random.Generator) -> pl.DataFrame:
    """One row per vehicle-month; every factor is the vehicle's."""
    levels = {
        "engine_family": ["alder", "rowan", "hawthorn"],
        "start_quarter": ["q1", "q2", "q3"],
        "depot": ["Millrace", "Saltings", "High Moor"],
        "duty": ["parcels", "service", "trunk"],
        "calibration": ["a", "b"],
        "model_year": ["2026", "2027", "2028", "2029"],
    }
    vehicles = pl.DataFrame({name: rng.choice(values, VEHICLES) for name, values in levels.items()}).with_columns(
        vehicle_id=pl.int_range(VEHICLES).cast(pl.String)
    )
    months = vehicles.join(pl.DataFrame({"month": range(MONTHS)}), how="cross")
    return months.with_columns(exposure=pl.lit(1.0)).sort("vehicle_id", "month")


def events(
    months: pl.DataFrame, rng: np.random.Generator, *, ratio: float = 1.0, exposed: float = 40.0
) -> pl.DataFrame:
    """Events of THINGS things with rates that differ by family; thing 0 is more frequent at the depot Saltings."""
    at = datetime(2030, 1, 1, tzinfo=UTC)
    there = (months["depot"] == "Saltings").to_numpy()
    family = months["engine_family"].replace_strict({"alder": 0.5, "rowan": 1.0, "hawthorn": 2.0}).to_numpy()
    rows = []
    for thing in range(THINGS):
        expected = exposed if thing == 0 else rng.uniform(5, 60)
        mean = family * np.where(there & (thing == 0), ratio, 1.0)
        mean = mean * expected / mean[there].sum()  # expected counts the plant
        rows += [(f"thing-{thing:02}", int(row)) for row in np.repeat(np.arange(len(mean)), rng.poisson(mean))]
    return pl.DataFrame(rows, schema=["what", "row"], orient="row").with_columns(
        kind=pl.lit("cause"), at=pl.lit(at), episode=pl.int_range(pl.len())
    )


def findings(months: pl.DataFrame, happened: pl.DataFrame) -> tuple[list[Story], list[Story]]:
    """What would be published, surest first; and all that was tried."""
    everywhere = np.ones(months.height, dtype=bool)
    places = [places_of(months, factor, STRATA, rows="month") for factor in FACTORS]
    things = things_of(happened, lambda _kind, _what: everywhere)
    tried = stories_of([pair for thing in things for place in places for pair in pairs_of(thing, place)])
    found = findings_of(
        tried,
        {(thing.kind, thing.what): thing for thing in things},
        lambda pair: next(place for place in places if place.factor == pair.factor),
    )
    return found, tried


def shuffled(months: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """The factors given to other vehicles of the same family and start quarter."""
    vehicles = months.unique("vehicle_id", maintain_order=True)
    order = np.arange(vehicles.height)
    for _, group in vehicles.with_row_index("at").group_by(*STRATA, maintain_order=True):
        inside = group["at"].to_numpy()
        order[inside] = rng.permutation(inside)
    moved = pl.concat([vehicles.select("vehicle_id"), vehicles.select(*FACTORS)[order]], how="horizontal")
    return months.drop(*FACTORS).join(moved, on="vehicle_id", maintain_order="left")


def main(permutations: int, seeds: int) -> None:
    """Prints both figures."""
    for number in range(3):
        rng = np.random.default_rng(number)
        months = fleet(rng)
        happened = events(months, rng)
        found = sum(bool(findings(shuffled(months, rng), happened)[0]) for _ in range(permutations))
        share = found / permutations
        print(f"fleet {number}: {found} of {permutations} shuffles with any finding ({share:.1%}; at most 7.2%)")
    plants = [(ratio, count * times) for ratio, count in PLANTS for times in (1.0, ratio)]
    for ratio, exposed in plants:
        top, alone = 0, []
        for seed in range(seeds):
            rng = np.random.default_rng(1000 + seed)
            months = fleet(rng)
            found, tried = findings(months, events(months, rng, ratio=ratio, exposed=exposed))
            top += PLANT in [(s.head.factor, s.head.level, s.head.what) for s in found[:3]]
            p_value = next(p.p_value for s in tried for p in s.pairs if (p.factor, p.level, p.what) == PLANT)
            alone.append((p_value <= FINDING / len(tried), p_value <= FINDING))
        first, only = np.sum(alone, axis=0)
        print(
            f"rate ratio {ratio:g}, {exposed:g} expected exposed events: a finding, in the top three, in {top} of "
            f"{seeds} (target 90%); the pair alone reaches the first's level in {first}, 5 % in {only}"
        )


if __name__ == "__main__":
    arguments = [int(value) for value in sys.argv[1:]]
    main(*(arguments or [400, 20]))
