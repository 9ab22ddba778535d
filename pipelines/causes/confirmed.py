"""What this fleet's confirmed repairs teach. Drift and work in, factors and counts out.

How far its engines differ from the knowledge, and how often what was named was so; each case is judged by the reading
before its work.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import beta

from pipelines.causes.bayes_factors import Pattern, log_likelihoods, of_vehicles
from pipelines.causes.departure_noise import deviation_noise
from pipelines.causes.departures import ways_to_limits
from pipelines.causes.hypotheses import Hypothesis
from pipelines.causes.knowledge import causes
from pipelines.causes.posterior import SEVERITY_SCALE, log_joint, probabilities, signatures_of
from pipelines.handover import FamilyDrift, Float64s
from pipelines.history.fault_events import HANDS_ON

NO_FAULT, OTHER, NONE = "no_fault_found", "other", "none_of_these"
MOST_CASES = 200  # of a family, the newest
SEEN_FROM = 4.0  # scatters of a departure from which a case says something of its signature
FACTORS = np.geomspace(0.6, 3.0, 7)  # on what the knowledge says that shares differ
ALL_SD, OWN_SD = 0.4, 0.25  # of the log factor: of all causes together, of one around that (judgement)
SHARES = pl.Schema(
    {"cause": pl.String, "looked_into": pl.Int64, "confirmed": pl.Int64, "share": pl.Float64, "low": pl.Float64,
     "high": pl.Float64}
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Cases:
    """Confirmed cases of one family: what each was, and what the reading before its work says.

    truth: Cause, `no_fault_found` or `other`. named: What would have been named first, by the knowledge alone.
    fits: [cases, FACTORS] log likelihood of the departures under the truth, at each factor; NaN: no known cause.
    """

    truth: list[str]
    named: list[str]
    fits: Float64s


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What confirmed repairs teach.

    spread: By cause: factor on the signature's own error. cases: By cause: confirmed cases. shares: One row a cause
    that was named: how often it was looked into, how often it was so, and the share with its 90 % interval.
    """

    spread: Mapping[str, float] = field(default_factory=dict)
    cases: Mapping[str, int] = field(default_factory=dict)
    shares: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=SHARES))

    @cached_property
    def share_of(self) -> Mapping[str, Mapping[str, Any]]:
        """The row of `shares` of each cause that has one."""
        return {row["cause"]: row for row in self.shares.iter_rows(named=True)}

    def table(self) -> pl.DataFrame:
        """One row a cause that was named or found: `shares`, its confirmed `cases`, and `spread` (1: as is known)."""
        known = pl.DataFrame(
            {"cause": list(self.cases), "cases": list(self.cases.values())},
            schema={"cause": pl.String, "cases": pl.Int64},
        )
        spread = pl.DataFrame(
            {"cause": list(self.spread), "spread": list(self.spread.values())},
            schema={"cause": pl.String, "spread": pl.Float64},
        )
        return (
            self.shares.join(known, on="cause", how="full", coalesce=True)
            .join(spread, on="cause", how="left")
            .with_columns(pl.col("cases", "looked_into", "confirmed").fill_null(0))
            .sort("cases", "looked_into", "cause", descending=[True, True, False])
        )


def confirmed_work(work: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, done_at, cause, bank, cylinder` of work whose cause is on record; one row a visit and cause."""
    known = [*causes(), NO_FAULT, OTHER]
    return (
        work.filter(pl.col("cause").is_in(known), pl.col("kind").is_in([*HANDS_ON, "inspection"]))
        .with_columns(day=pl.col("done_at").dt.date())
        .sort("vehicle_id", "done_at", "cause")
        .unique(["vehicle_id", "day", "cause"], keep="first", maintain_order=True)
        .select("vehicle_id", "done_at", "cause", "bank", "cylinder")
    )


def cases_of(
    family: FamilyDrift, laid_out: Sequence[Hypothesis], confirmed: pl.DataFrame, *, log_prior: Float64s, unknown: float
) -> Cases:
    """The family's newest confirmed cases that showed, each by its vehicle's last reading before the work."""
    rows, truth = _rows_before(family, confirmed)
    pattern = _pattern_at(family, rows)
    shows = np.flatnonzero(np.abs(np.nan_to_num(pattern.scatters)).max(axis=1, initial=0.0) >= SEEN_FROM)
    if not len(shows) or not laid_out:
        return Cases(truth=[], named=[], fits=np.zeros((0, len(FACTORS))))
    pattern, truth = of_vehicles(pattern, shows), [truth[i] for i in shows]
    signatures = signatures_of(laid_out)
    told, alarmed = np.zeros((len(truth), len(laid_out))), np.ones(len(truth), dtype=np.bool_)
    joint = log_joint(pattern, signatures, log_prior=log_prior, log_told=told, alarmed=alarmed, unknown=unknown)
    share = probabilities(joint)
    names = [h.cause.id for h in laid_out] + [NONE]
    kinds = sorted(set(names))
    by_cause = share @ np.array([[name == kind for kind in kinds] for name in names], dtype=np.float64)
    fits = np.full((len(truth), len(FACTORS)), np.nan)
    for cause in sorted(set(truth) & set(names)):
        mine = np.flatnonzero([each == cause for each in truth])
        places = [k for k, name in enumerate(names[:-1]) if name == cause]
        for f, factor in enumerate(FACTORS):
            some = signatures_of([laid_out[k] for k in places], spread=factor)
            told = log_likelihoods(of_vehicles(pattern, mine), some, severity_scale=SEVERITY_SCALE)
            fits[mine, f] = np.logaddexp.reduce(told + log_prior[places], axis=1)
    return Cases(truth=truth, named=[kinds[k] for k in by_cause.argmax(axis=1)], fits=fits)


def learned(cases: Sequence[Cases], confirmed: pl.DataFrame) -> Learned:
    """From all families' cases: the factors, drawn to what all causes show and that to 1, and how often names held.

    A grid over the log factor of all causes, and around it over each cause's own: two levels of an empirical Bayes.
    """
    truth = [each for some in cases for each in some.truth]
    named = [each for some in cases for each in some.named]
    fits = np.concatenate([some.fits for some in cases]) if cases else np.zeros((0, len(FACTORS)))
    summed = {
        cause: fits[np.flatnonzero([each == cause for each in truth])].sum(axis=0)
        for cause in sorted(set(truth) & set(causes()))
    }
    log_factor = np.log(FACTORS)
    own = _normal(log_factor[:, None] - log_factor, OWN_SD)  # [of all, own]
    over_all = _normal(log_factor, ALL_SD)
    for fit in summed.values():
        over_all = over_all + np.logaddexp.reduce(own + fit - fit.max(), axis=1)
    weight = np.exp(over_all - np.logaddexp.reduce(over_all))
    spread = {}
    for cause in causes():
        fit = summed.get(cause, np.zeros(len(FACTORS)))
        of_own = own + fit - fit.max()
        of_own = np.exp(of_own - np.logaddexp.reduce(of_own, axis=1, keepdims=True))
        spread[cause] = float(np.exp(weight @ of_own @ log_factor))
    counts = dict(confirmed.group_by("cause").len().iter_rows())
    return Learned(spread=spread, cases=counts, shares=_shares(truth, named))


def _normal(x: Float64s, sd: float) -> Float64s:
    told: Float64s = -0.5 * (x / sd) ** 2
    return told


def _shares(truth: Sequence[str], named: Sequence[str]) -> pl.DataFrame:
    rows = []
    for cause in sorted(set(named) - {NONE}):
        of = [t for t, n in zip(truth, named, strict=True) if n == cause]
        right = sum(t == cause for t in of)
        low, high = beta.ppf([0.05, 0.95], right + 0.5, len(of) - right + 0.5)  # Jeffreys (1946)
        rows.append(
            {"cause": cause, "looked_into": len(of), "confirmed": right, "share": right / len(of), "low": float(low),
             "high": float(high)}
        )  # fmt: skip
    return pl.DataFrame(rows, schema=SHARES)


def _rows_before(family: FamilyDrift, confirmed: pl.DataFrame) -> tuple[list[int], list[str]]:
    """Rows of the last readings before each piece of work of this family's vehicles, newest first, and its cause."""
    panel = family.panel
    place = {vehicle: v for v, vehicle in enumerate(panel.vehicles)}
    rows: list[int] = []
    truth: list[str] = []
    for vehicle, done_at, cause, *_ in confirmed.sort("done_at", descending=True).iter_rows():
        if vehicle in place and len(rows) < MOST_CASES:
            first, end = panel.row_start[place[vehicle]], panel.row_start[place[vehicle] + 1]
            at = np.datetime64(done_at.replace(tzinfo=None), "us")
            row = first + int(np.searchsorted(panel.read_at[first:end], at)) - 1
            if row >= first:
                rows.append(int(row))
                truth.append(cause)
    return rows, truth


def _pattern_at(family: FamilyDrift, rows: Sequence[int]) -> Pattern:
    """Departures from each vehicle's own past at some rows."""
    noise, _ = deviation_noise(family)
    z = family.z[list(rows)].astype(np.float64)
    scale = np.maximum(np.nan_to_num(family.scale[list(rows)].astype(np.float64), nan=1.0), 1e-3)
    unit = np.maximum(family.sigma.astype(np.float64), 1e-12) * scale * noise
    up, down = ways_to_limits(family)
    return Pattern(scatters=z / noise, up=up / unit, down=down / unit)
