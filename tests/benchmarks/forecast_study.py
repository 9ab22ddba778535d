"""How good outliers and forecasts are, in one table: simulated fleets with their oracle, and the turbofan engines.

Run: `python tests/benchmarks/forecast_study.py [--folder DIR] [--quick] [--vehicles N] [--weeks W] [--seeds 1 2 3]`.
Fleets, stores and forecasts are kept in DIR, and what stands there is not made again. Three fleets of 2,000 vehicles
and 104 weeks with their oracle take hours on two cores; `--quick` is one fleet of 300 and 78 weeks without an oracle.
The turbofan part runs where the environment variable LEEWAY_TURBOFAN names the folder of its drops. Each figure stands
with its 90 % interval over vehicles, the same measure of leeway alone, and the target.
"""

import argparse
import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.backtest import backtest
from pipelines.first_stages import first_stages
from pipelines.forecast.base_models import learn_base_models
from pipelines.forecast.check import check_tables
from pipelines.forecast.outcomes import record_of
from pipelines.forecast.past import past_of
from pipelines.forecast.scores import auc
from pipelines.forecast.stacked_hazard import learn_parts, out_of_fold
from pipelines.forecast.stacking import stack
from pipelines.forecast.time_grid import HORIZONS, within_horizons
from pipelines.history.reconstruct import reconstruct
from pipelines.intake.load import load
from pipelines.outliers.stage import unlike_peers
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

TARGETS = {
    "calibration_slope": "0.9 to 1.1",
    "observed_over_expected": "0.92 to 1.08",
    "observed_over_expected_from_5_percent": "0.85 to 1.15",
    "observed_over_expected_from_20_percent": "0.85 to 1.15",
    "miscalibration_share": "at most 0.015",
    "brier_skill_above_leeway": ">= 0.05, above 0",
}
SKILL_OF_ORACLE = {7: 0.60, 30: 0.75, 90: 0.75}
READ_WITHIN_DAYS = {7: 3.0, 30: 7.0, 90: 14.0}
CYCLES_LEFT = 125  # engines in their first life look alike; the targets count those with at most this many cycles left
PUBLISHED = (  # remaining life on FD001: its 100 test engines, cut once each, after 100 engines run to failure
    ("LSTM, Zheng and others 2017, as quoted in arXiv:2604.27234", 16.14),
    ("CNN, arXiv:2604.27234 (2026)", 16.97),
    ("LSTM, arXiv:2604.27234 (2026)", 14.93),
)
BIN_FAULTS = 10.0  # expected in a bin on which the intervals are checked
RESAMPLES = 200


def main() -> None:
    """Runs the parts asked for and prints the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="where fleets, stores and forecasts are kept")
    parser.add_argument("--quick", action="store_true", help="one fleet of 300 vehicles and 78 weeks, no oracle")
    parser.add_argument("--vehicles", type=int, default=2000)
    parser.add_argument("--weeks", type=int, default=104)
    parser.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3])
    asked = parser.parse_args()
    print(f"{'fleet':12}{'measure':48}{'value':>9}{'90 % interval':>20}{'leeway':>9}  target")
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        if asked.quick:
            simulated(folder, vehicles=300, weeks=78, seeds=asked.seeds[:1], with_oracle=False)
        elif asked.seeds:
            simulated(folder, vehicles=asked.vehicles, weeks=asked.weeks, seeds=asked.seeds, with_oracle=True)
        if "LEEWAY_TURBOFAN" in os.environ:
            turbofan(Path(os.environ["LEEWAY_TURBOFAN"]), folder, every_days=30 if asked.quick else 10)


def simulated(folder: Path, *, vehicles: int, weeks: int, seeds: list[int], with_oracle: bool) -> None:
    """Backtests simulated fleets and pools them; outliers are held against the truth at the last date."""
    past, oracle, outliers = [], [], []
    start = datetime.combine(read_scenario()["start"], datetime.min.time(), UTC)
    dates = [start + timedelta(days=7 * week + 6, hours=23, minutes=59) for week in range(weeks - 38, weeks - 13, 8)]
    for seed in seeds:
        out = folder / f"fleet-{seed}"
        if not out.exists():
            days = tuple(date.date() for date in dates[1::2]) if with_oracle else ()
            simulate(read_scenario(), vehicles=vehicles, weeks=weeks, seed=seed, out=out, oracle_on=days)
        told = pl.read_parquet(out / "truth" / "oracle" / "*.parquet") if with_oracle else None
        asked = dates if told is None else sorted({*dates, *told["as_of"].unique()})
        store = stored(folder / f"fleet-{seed}.store", [path for path in sorted(out.iterdir()) if path.name != "truth"])
        past.append(_named(forecasts(store, asked, folder / f"past-{seed}.parquet"), seed))
        outliers += list(outlier_rows(store, asked[-1], out / "truth", seed))
        if told is not None:
            oracle.append(_named(told, seed))
    together = pl.concat(past)
    print_check("simulated", check_tables(together, seed=1)["forecast_check"])
    print_coverage("simulated", together)
    if oracle:
        print_oracle_share(together, pl.concat(oracle))
    print_outliers(pl.concat(outliers))


def stored(path: Path, drops: list[Path]) -> Store:
    """The store at a path, loaded if it is new."""
    fresh = not path.exists()
    store = Store(path)
    if fresh:
        load(store, drops)
    return store


def forecasts(store: Store, dates: list[datetime], kept: Path) -> pl.DataFrame:
    """The product's own backtest of these dates, kept in a file."""
    if not kept.exists():
        later = read_evidence(store)
        made = backtest(lambda date: read_evidence(store, as_of=date), later, dates=dates, settings=Settings())
        made["forecast_past"].write_parquet(kept)
    return pl.read_parquet(kept)


def print_coverage(fleet: str, past: pl.DataFrame) -> None:
    """Share of bins (of a horizon and a date, by forecast) whose frequency lies in the interval, chance allowed for."""
    covered = []
    for _, rows in past.filter("known").group_by("horizon_days", "forecast_at", maintain_order=True):
        ordered = rows.sort("probability", descending=True).with_columns(
            reached=(pl.col("weight") * pl.col("probability")).cum_sum()
        )
        count = int(ordered["reached"].max() // BIN_FAULTS)
        bins = ordered.with_columns(bin=(pl.col("reached") // BIN_FAULTS).clip(0, count - 1)) if count else rows.clear()
        for _, cell in bins.group_by("bin") if count else ():
            weight = cell["weight"].to_numpy()
            p, low, high, fault = (cell[name].cast(pl.Float64).to_numpy() for name in INTERVAL)
            chance = 1.645 * np.sqrt((weight**2 * p * (1 - p)).sum()) / weight.sum()
            off = np.average(fault - p, weights=weight)
            room = np.average(np.where(off > 0, high - p, p - low), weights=weight)
            covered.append(abs(off) <= np.hypot(room, chance))
    if covered:
        name = f"intervals that cover, of {len(covered)} bins"
        print_row(fleet, name, float(np.mean(covered)), None, None, None, ">= 0.85 of >= 60 bins")


INTERVAL = ("probability", "low", "high", "fault")


def print_check(fleet: str, check: pl.DataFrame) -> None:
    for row in check.iter_rows(named=True):
        name = f"{row['measure']} {row['horizon_days']} d"
        print_row(fleet, name, row["value"], row["low"], row["high"], row["reference"], TARGETS.get(row["measure"], ""))


def print_row(  # noqa: PLR0917 - the columns of the table
    fleet: str, name: str, value: float | None, low: float | None, high: float | None, beside: float | None, target: str
) -> None:
    def shown(figure: float | None) -> str:
        return "-" if figure is None or not np.isfinite(figure) else f"{figure:.3f}"

    interval = f"{shown(low)} to {shown(high)}"
    print(f"{fleet:12}{name:48}{shown(value):>9}{interval:>20}{shown(beside):>9}  {target}", flush=True)


def print_oracle_share(past: pl.DataFrame, oracle: pl.DataFrame) -> None:
    """1 - mean[(f - p1)(f - p2)] / mean[(p1 - mean)(p2 - mean)]: the share of the skill that could be had."""
    joined = past.join(oracle, left_on=["vehicle_id", "forecast_at", "horizon_days"],
                       right_on=["vehicle_id", "as_of", "horizon_days"])  # fmt: skip
    for horizon, target in SKILL_OF_ORACLE.items():
        rows = joined.filter(pl.col("horizon_days") == horizon, pl.col("days_since_read") <= READ_WITHIN_DAYS[horizon])

        def share(column: str, drawn: np.ndarray, rows: pl.DataFrame = rows) -> float:
            f, p1, p2 = (rows[name].to_numpy() for name in (column, "p1", "p2"))
            mean = np.average((p1 + p2) / 2, weights=drawn)
            could = np.average((p1 - mean) * (p2 - mean), weights=drawn)
            return float(1 - np.average((f - p1) * (f - p2), weights=drawn) / could)

        low, value, high = _resampled(rows, lambda drawn, f=share: f("probability", drawn))
        beside = share("leeway_alone", np.ones(rows.height))
        print_row("simulated", f"share of the oracle's skill {horizon} d", value, low, high, beside, f">= {target}")


def outlier_rows(store: Store, date: datetime, truth: Path, seed: int) -> Iterator[pl.DataFrame]:
    """Scores beside the largest true deviation of the week of each vehicle's newest reading, in sigmas, and its place.

    What came since that reading, a repair or a defect, no score can know.
    """
    evidence = read_evidence(store, as_of=date)
    _, drift = first_stages(evidence, settings=Settings())
    found = unlike_peers(drift, evidence=evidence, settings=Settings())
    true = (
        pl.read_parquet(truth / "deviation" / "*.parquet")
        .with_columns(size=pl.col("in_sigma").abs())
        .sort("vehicle_id", "week_end", "size", descending=[False, False, True])
        .group_by("vehicle_id", "week_end", maintain_order=True)
        .agg(pl.col("size").first(), affected=pl.col("correction").filter(pl.col("size") >= 1))
        .sort("week_end")
    )
    weeks = true.select("week_end").unique().sort("week_end")
    read = pl.concat(
        [
            pl.DataFrame({"vehicle_id": list(family.panel.vehicles), "at": family.panel.read_at[last]})
            for family in drift.families
            for last in [family.panel.row_start[1:] - 1]
        ]
    ).with_columns(pl.col("at").cast(pl.Datetime("us")).dt.replace_time_zone("UTC"))
    near = read.sort("at").join_asof(weeks, left_on="at", right_on="week_end", strategy="nearest", tolerance="8d")
    scores = found.scores.drop_nulls("outlier_score").join(near, on="vehicle_id")
    now = scores.join(true, on=["vehicle_id", "week_end"], how="left")
    first = found.reasons.group_by("vehicle_id", maintain_order=True).agg(named=pl.col("correction").first())
    largest = pl.concat(
        [
            pl.DataFrame(
                {"vehicle_id": list(family.panel.vehicles), "largest": np.nanmax(np.abs(family.z[last]), axis=1)}
            )
            for family in drift.families
            for last in [family.panel.row_start[1:] - 1]
        ]
    )
    joined = now.join(first, on="vehicle_id", how="left").join(largest, on="vehicle_id", how="left")
    yield _named(joined.with_columns(pl.col("size").fill_null(0.0)), seed)


def print_outliers(rows: pl.DataFrame) -> None:
    """Recall of true deviations of 5 sigmas where 1 % of the null vehicles score higher; and the first reason."""
    null, sick = (rows["size"] < 0.5).to_numpy(), (rows["size"] >= 5).to_numpy()

    def recall(column: str, drawn: np.ndarray) -> float:
        figure = rows[column].to_numpy()
        order = np.sort(np.repeat(figure[null], drawn[null].astype(int)))
        return float(np.average(figure[sick] > order[int(0.99 * (len(order) - 1))], weights=drawn[sick]))

    for column, name in (("outlier_score", "forest"), ("robust_distance", "Mahalanobis"), ("largest", "max |z|")):
        low, value, high = _resampled(rows, lambda drawn, c=column: recall(c, drawn))
        target = ">= 0.8, and 0.9 of the better other" if name == "forest" else ""
        print_row("simulated", f"recall of 5 sigmas at 1 % of null, {name}", value, low, high, None, target)
    healthy = rows.filter(pl.col("size") < 0.5)
    called = healthy["is_outlier"].to_numpy()
    low, value, high = _resampled(healthy, lambda drawn: float(np.average(called, weights=drawn)))
    print_row("simulated", "null vehicles said to be outliers", value, low, high, None, "0.01")
    flagged = rows.filter("is_outlier", pl.col("size") >= 5)
    if flagged.height:
        right = flagged.select(pl.col("affected").list.contains(pl.col("named"))).to_series().mean()
        print_row("simulated", "first reason truly affected", float(str(right)), None, None, None, ">= 0.90")


def turbofan(drops: Path, folder: Path, *, every_days: int) -> None:
    """Failures within 30 cycles among engines with at most 125 left; and remaining life as the median forecast."""
    store = stored(folder / "turbofan.store", [drops])
    later = read_evidence(store)
    failed = reconstruct(later).fault_events.select("vehicle_id", "found_at")
    first, last = later.snapshots["read_at"].min(), later.as_of
    count = int((last - first).days // every_days)
    dates = [first + timedelta(days=every_days * n, hours=6) for n in range(3, count)]
    past = forecasts(store, dates, folder / f"past-turbofan-{every_days}.parquet")
    print_check("turbofan", check_tables(past, seed=1)["forecast_check"])
    print_coverage("turbofan", past)
    lives = past.with_columns(failures=_failed_by(past["forecast_at"], failed)).join(failed, on="vehicle_id")
    lives = lives.with_columns(left=(pl.col("found_at") - pl.col("forecast_at")).dt.total_hours() / 24)
    near = lives.filter(pl.col("left").is_between(0, CYCLES_LEFT))
    for least in (0, 20):
        rows = near.filter(pl.col("failures") >= least)
        month = rows.filter(pl.col("horizon_days") == 30)
        fault = (month["left"] <= 30).cast(pl.Float64).to_numpy()
        low, value, high = _resampled(month, lambda drawn, m=month, f=fault: auc(m["probability"].to_numpy(), f, drawn))
        beside = auc(month["leeway_alone"].to_numpy(), fault, np.ones(len(fault)))
        after = f", {least} failures known" if least else ""
        print_row("turbofan", f"AUC at 30, <= {CYCLES_LEFT} left{after}", value, low, high, beside, ">= 0.98")
        wide = rows.pivot("horizon_days", index=["vehicle_id", "forecast_at", "left"], values="probability")
        error = median_life(wide.select("7", "30", "90").to_numpy()) - wide["left"].to_numpy()
        low, value, high = _resampled(wide, lambda drawn, e=error: float(np.sqrt(np.average(e**2, weights=drawn))))
        print_row("turbofan", f"remaining life, RMSE{after}", value, low, high, None, "published: below")
    other_engines(store)
    for name, figure in PUBLISHED:
        print_row("published", name, figure, None, None, None, "other engines, other split")


def other_engines(store: Store) -> None:
    """Skill and AUC on engines left out in turn, everything known that the record holds."""
    evidence = read_evidence(store)
    history, drift = first_stages(evidence, settings=Settings())
    outliers = unlike_peers(drift, evidence=evidence, settings=Settings())
    record, now = record_of(evidence, history), evidence.as_of.timestamp() / 86_400
    past = past_of(drift, outliers, record, now, evidence=evidence, history=history, seed=1)
    parts = learn_parts(past, out_of_fold(past))
    announced, rows = (np.concatenate([part[place] for part in parts]) for place in (1, 2))
    days, faults = (part[rows] for part in past.watched(past.now))
    learned = learn_base_models(past, until=past.now)
    distinct = past.distinct_faults(faults.sum(axis=1) > 0)
    stacking = stack(announced, days, faults, past.origins.vehicle[rows], steady=learned.steady, distinct=distinct)
    told = within_horizons(np.exp(stacking.log_hazard(announced)))
    names = pl.Series(sorted(record.number)).gather(past.origins.vehicle[rows])
    for place, horizon in enumerate(HORIZONS):
        known, fault = (part[rows] for part in past.outcomes.within(horizon))
        rated = pl.DataFrame({"vehicle_id": names, "p": told[:, place], "fault": fault}).filter(pl.Series(known == 1))
        p, y = rated["p"].to_numpy(), rated["fault"].cast(pl.Float64).to_numpy()

        def skill(drawn: np.ndarray, p: np.ndarray = p, y: np.ndarray = y) -> float:
            base = np.average(y, weights=drawn)
            return float(1 - np.average((p - y) ** 2, weights=drawn) / (base * (1 - base)))

        for name, figure in (("skill", skill), ("AUC", lambda drawn, p=p, y=y: auc(p, y, drawn))):
            low, value, high = _resampled(rated, figure)
            print_row("turbofan", f"engines left out in turn, {name} {horizon} d", value, low, high, None, "")


def _failed_by(times: pl.Series, failed: pl.DataFrame) -> pl.Series:
    """How many engines had failed by each time."""
    found = failed["found_at"].sort()
    return pl.Series(np.searchsorted(found.to_physical().to_numpy(), times.to_physical().to_numpy(), side="right"))


def median_life(probability: np.ndarray) -> np.ndarray:
    """Days until half have failed, [n], by a Weibull line through the three forecasts, at most 125."""
    x = np.log([7.0, 30.0, 90.0])
    y = np.log(-np.log1p(-np.clip(probability, 1e-5, 1 - 1e-5)))
    slope = ((x - x.mean()) * (y - y.mean(axis=1, keepdims=True))).sum(axis=1) / ((x - x.mean()) ** 2).sum()
    at = x.mean() + (np.log(np.log(2)) - y.mean(axis=1)) / np.maximum(slope, 0.2)
    return np.minimum(np.exp(np.minimum(at, 10)), CYCLES_LEFT)


def _named(frame: pl.DataFrame, seed: int) -> pl.DataFrame:
    return frame.with_columns(vehicle_id=pl.format("{}-{}", pl.lit(seed), "vehicle_id"))


def _resampled(rows: pl.DataFrame, figure: object) -> tuple[float, float, float]:
    """(low, value, high) of a figure of row weights: 90 % interval over resampled vehicles."""
    vehicle = rows["vehicle_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    kinds = int(vehicle.max()) + 1
    rng = np.random.default_rng(1)
    drawn = [rng.multinomial(kinds, np.full(kinds, 1 / kinds))[vehicle].astype(float) for _ in range(RESAMPLES)]
    low, high = np.nanquantile([figure(weights) for weights in drawn], [0.05, 0.95])
    return float(low), figure(np.ones(len(vehicle))), float(high)


if __name__ == "__main__":
    main()
