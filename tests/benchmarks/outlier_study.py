"""How well outliers are found: `python tests/benchmarks/outlier_study.py [--vehicles 700] [--weeks 104] [--seeds 1 2]`.

Simulated fleets, whose truth gives each correction's noise-free deviation. Rows are vehicle-weeks of the last year
after 26 readings; null: every correction below 0.5 sigma, sick: one from 5. Intervals: 95 %, over resampled vehicles.
The drift stage of each fleet is kept in --cache (name a fresh folder when that stage has changed).
"""

import argparse
import pickle
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
from scipy.stats import spearmanr

from pipelines.first_stages import first_stages
from pipelines.intake.load import load
from pipelines.outliers import stage
from pipelines.outliers.panel_rows import reading_number
from pipelines.outliers.z_scores import z_scores
from pipelines.settings import Settings
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.simulate import simulate

NULL, SICK, SETTLED, RESAMPLES, SHARE = 0.5, 5.0, 26, 200, 0.01
BANDS = ((0, 100), (100, 250), (250, 10**6))  # vehicles of a family


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=700)
    parser.add_argument("--weeks", type=int, default=104)
    parser.add_argument("--seeds", type=int, nargs="+", default=[601, 602])
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "outlier_study")
    arguments = parser.parse_args()
    frames = []
    for seed in arguments.seeds:
        drift, evidence, truth = fleet(arguments.cache, arguments.vehicles, arguments.weeks, seed)
        frames.append(rows_of(drift, evidence, truth, seed))
        print_stability(drift, evidence, seed)
    print(f"\n{'fleet':22}{'measure':44}{'value':>7}  95 % interval")
    for seed, rows in zip(arguments.seeds, frames, strict=True):
        print_figures(f"seed {seed}", rows)
    together = pl.concat(frames)
    print_figures("all", together)
    for low, high in BANDS:
        part = together.filter(pl.col("family_size").is_between(low, high - 1))
        if part.height:
            print_figures(f"families {low} to {high}"[:21], part)


def fleet(cache, vehicles, weeks, seed):
    """Drift, evidence and the truth of one simulated fleet, made once."""
    cache.mkdir(parents=True, exist_ok=True)
    kept = cache / f"{vehicles}-{weeks}-{seed}.pickle"
    out = cache / f"{vehicles}-{weeks}-{seed}"
    if not kept.exists():
        simulate(read_scenario(), vehicles=vehicles, weeks=weeks, seed=seed, out=out)
        store = Store(cache / f"{vehicles}-{weeks}-{seed}.store")
        load(store, [path for path in sorted(out.iterdir()) if path.name != "truth"])
        evidence = read_evidence(store)
        _, drift = first_stages(evidence, settings=Settings())
        kept.write_bytes(pickle.dumps((drift, evidence)))
    drift, evidence = pickle.loads(kept.read_bytes())  # noqa: S301 - our own file
    return drift, evidence, pl.read_parquet(out / "truth" / "deviation" / "*.parquet")


def true_sigmas(family, truth):
    """[R, C] noise-free deviation in sigmas at the end of the week nearest to each reading."""
    panel = family.panel
    index = {code: c for c, code in enumerate(panel.codes)}
    at = pl.Series(panel.read_at).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    rows = pl.DataFrame(
        {"row": np.arange(len(at)), "vehicle_id": vehicle_names(family), "at": at}
    ).sort("at")  # fmt: skip
    weeks = truth.select("week_end").unique().sort("week_end")
    near = rows.join_asof(weeks, left_on="at", right_on="week_end", strategy="nearest", tolerance="8d")
    found = near.join(truth.filter(pl.col("correction").is_in(list(panel.codes))), on=["vehicle_id", "week_end"])
    sigmas = np.zeros(panel.values.shape)
    sigmas[found["row"].to_numpy(), [index[code] for code in found["correction"]]] = found["in_sigma"].to_numpy()
    return sigmas


def vehicle_names(family):
    return np.repeat(np.array(family.panel.vehicles, dtype=object), np.diff(family.panel.row_start)).astype(str)


def rows_of(drift, evidence, truth, seed):
    """One row a vehicle-week of the last year: each measure, the truth, and whether the first reason is right."""
    settings = Settings()
    started = time.process_time()
    stage.unlike_peers(drift, evidence=evidence, settings=settings)
    print(f"seed {seed}: stage took {time.process_time() - started:.1f} s of processor time")
    groups = dict(evidence.corrections.select("code", pl.col("group").fill_null("other")).iter_rows())
    families = list(drift.families)
    peers = [stage._learn(f, [groups.get(code, "other") for code in f.panel.codes], evidence) for f in families]
    frames = []
    for family, its, judge in zip(families, peers, stage._judges(families, peers, seed=settings.seed), strict=True):
        sigmas = true_sigmas(family, truth)
        newest = family.panel.read_at.max()
        used = (reading_number(family) > SETTLED) & (family.panel.read_at > newest - np.timedelta64(364, "D"))
        rows = np.flatnonzero(used)
        score, distance, _ = stage._scored(family, its, judge, rows)
        standard = z_scores(*stage._apart(family, its.own, rows), family.relearning[rows], its.spread)
        summary = stage.summarise(standard, its.scopes)
        shares = stage.correction_shares(
            standard, stage.path_contributions(judge.forest, summary.figures), summary, its.scopes
        )
        frames.append(
            pl.DataFrame(
                {
                    "vehicle": [f"{seed}-{name}" for name in vehicle_names(family)[rows]],
                    "family_size": len(family.panel.vehicles),
                    "forest": score,
                    "robust Mahalanobis": distance,
                    "max |z| of the drift stage": np.nan_to_num(np.abs(family.z[rows])).max(axis=1),
                    "max z-score of the stage": np.abs(np.nan_to_num(standard)).max(axis=1),
                    "size": np.abs(sigmas[rows]).max(axis=1),
                    "named_right": np.abs(sigmas[rows, shares.argmax(axis=1)]) >= 1,
                }
            )
        )
    return pl.concat(frames)


def print_figures(name, rows):
    null, sick = (rows["size"] < NULL).to_numpy(), (rows["size"] >= SICK).to_numpy()
    score = rows["forest"].to_numpy()

    def recall(column, weights):
        order = np.argsort(-column[null], kind="stable")
        above = np.cumsum(weights[null][order]) / weights[null].sum()
        cut = column[null][order][np.searchsorted(above, SHARE)]
        return np.average(column[sick] > cut, weights=weights[sick])

    for measure in ("forest", "robust Mahalanobis", "max |z| of the drift stage", "max z-score of the stage"):
        column = rows[measure].to_numpy()
        print_figure(name, f"recall at 1 % of null, {measure}", rows, lambda w, c=column: recall(c, w))
    called = score >= 1 - SHARE
    print_figure(name, "false share at 1 % stated", rows, lambda w: np.average(called[null], weights=w[null]))
    print_figure(name, "recall as called at 1 % stated", rows, lambda w: np.average(called[sick], weights=w[sick]))
    right, named = rows["named_right"].to_numpy(), called & sick
    print_figure(name, "first named truly affected", rows, lambda w: np.average(right[named], weights=w[named]))


def print_figure(name, measure, rows, figure):
    vehicle = rows["vehicle"].rank("dense").cast(pl.Int64).to_numpy() - 1
    kinds = int(vehicle.max()) + 1
    rng = np.random.default_rng(1)
    drawn = [figure(rng.multinomial(kinds, np.full(kinds, 1 / kinds))[vehicle].astype(float)) for _ in range(RESAMPLES)]
    low, high = np.quantile(drawn, [0.025, 0.975])
    print(f"{name:22}{measure:44}{figure(np.ones(len(vehicle))):7.3f}  {low:.3f} to {high:.3f}", flush=True)


def print_stability(drift, evidence, seed):
    """The same past weeks judged a week later: rank correlation, and how many calls flip."""
    blind = type(evidence)(**{**evidence.__dict__, "as_of": evidence.as_of - timedelta(days=28)})
    before = np.datetime64((evidence.as_of - timedelta(days=7)).replace(tzinfo=None))
    both = [
        np.concatenate(
            [
                found.score_rows(n, np.flatnonzero(family.panel.read_at < before))
                for n, family in enumerate(drift.families)
            ]
        )
        for found in (stage.unlike_peers(drift, evidence=known, settings=Settings()) for known in (evidence, blind))
    ]
    now, then = (scores[np.isfinite(both[0]) & np.isfinite(both[1])] for scores in both)
    rank, flips = spearmanr(now, then).statistic, ((now >= 0.99) != (then >= 0.99)).mean()
    print(f"seed {seed}: one reference block (28 days) more: rank correlation {rank:.4f}, calls that flip {flips:.4f}")


if __name__ == "__main__":
    main()
