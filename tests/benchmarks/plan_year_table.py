"""The table that `plan_year.py` prints: what each policy costs and spares, paired by vehicle."""

import numpy as np
import polars as pl

RESAMPLES = 2000
RUN_TO_FAULT, MILEAGE, GREEDY, LEEWAY, PERFECT = (
    "run to fault",
    "fixed mileage",
    "greedy",
    "Leeway",
    "perfect knowledge",
)


def report(lived: pl.DataFrame, *, mileages: int) -> None:
    """The table, of each vehicle's year and half a year after, with 95 % intervals over vehicles.

    Args:
        lived: `policy, seed, vehicle_id, cost, faults, breakdowns, hours, planned, in_vain`.
        mileages: How many fixed mileages were tried.
    """
    key = ["seed", "vehicle_id"]
    mean = lived.filter(pl.col("policy").str.starts_with(MILEAGE)).group_by("policy").agg(pl.col("cost").mean())
    best = str(mean.sort("cost", "policy")["policy"][0])
    policies = {name: lived.filter(pl.col("policy") == name) for name in (RUN_TO_FAULT, best, GREEDY, LEEWAY, PERFECT)}
    whole = set.intersection(*(set(rows["seed"]) for rows in policies.values()))  # seeds that every policy has lived
    tables = {name: rows.filter(pl.col("seed").is_in(whole)).sort(key) for name, rows in policies.items()}
    count = tables[RUN_TO_FAULT].height
    drawn = np.random.default_rng(7).integers(0, count, (RESAMPLES, count))
    cost = {name: table["cost"].to_numpy() for name, table in tables.items()}
    print(f"{count} vehicles of {len(whole)} fleets, a year and a half; best of {mileages} mileages: {best} km")
    print(f"{'policy':22}{'cost':>7}  less than run to fault  faults  stranded  hours  planned  in vain  of perfect")
    for name, table in tables.items():
        saved, most = cost[RUN_TO_FAULT] - cost[name], cost[RUN_TO_FAULT] - cost[PERFECT]
        shares = saved[drawn].mean(axis=1) / most[drawn].mean(axis=1)
        per = [float(table[each].sum()) / count for each in ("faults", "breakdowns", "hours", "planned", "in_vain")]
        figures = "".join(f"{value:{width}.3f}" for value, width in zip(per, (8, 10, 7, 9, 9), strict=True))
        print(
            f"{name:22}{cost[name].mean():7.0f}  {between(saved, drawn):22}{figures}"
            f"  {saved.mean() / most.mean():.2f} ({np.quantile(shares, 0.025):.2f} to {np.quantile(shares, 0.975):.2f})"
        )
    for other in (best, GREEDY):
        print(f"Leeway against {other}: {between(cost[other] - cost[LEEWAY], drawn)} less a vehicle")


def between(values: np.ndarray, drawn: np.ndarray) -> str:
    """A mean with its 95 % interval over the draws."""
    low, high = np.quantile(values[drawn].mean(axis=1), [0.025, 0.975])
    return f"{values.mean():.0f} ({low:.0f} to {high:.0f})"
