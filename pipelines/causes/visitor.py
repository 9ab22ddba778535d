"""A vehicle without a history: one reading held against what its family reads now; published frames in, a ranking out.

What one reading cannot tell is said with it: what this vehicle's own normal is, since when it is off and how fast, and
whether it scatters. So what differs from peers counts by how far healthy vehicles differ among themselves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.catalogue.tables import published_tables
from pipelines.causes.bayes_factors import Pattern
from pipelines.causes.evidence_words import Findings
from pipelines.causes.hypotheses import Hypothesis, engine_layout, hypotheses
from pipelines.causes.posterior import log_joint, probabilities, signatures_of
from pipelines.causes.priors import DEFECT_PRESENT, cause_priors, shares_beyond
from pipelines.causes.ranking import ranking_rows
from pipelines.causes.standing_codes import log_code_ratios
from pipelines.drift.alarm_rules import BAND_SIGMAS
from pipelines.errors import LeewayError
from pipelines.handover import Float64s

FEWEST_PEERS = 5  # vehicles of the family that tell what is usual
SAYS_NOTHING_OF = (
    "One reading cannot tell since when it is off, how fast it moves, whether it scatters, or what this vehicle's own "
    "normal is: a small difference from its peers may be how it was built."
)


@dataclass(frozen=True, kw_only=True)
class Visitor:
    """What one reading says of a vehicle without a history.

    against: `correction, value, usual, low, high, scatters` (how many healthy scatters it is off), farthest first.
    ranking: The contract's `cause_ranking` of the one vehicle.
    unsaid: What cannot be known, in sentences.
    """

    against: pl.DataFrame
    ranking: pl.DataFrame
    unsaid: tuple[str, ...]


def family_now(correction_state: pl.DataFrame, vehicles: pl.DataFrame, family: str) -> pl.DataFrame:
    """`correction, usual, sigma, peers`: what a family's vehicles should read now, and how far healthy ones differ.

    The middle of what they should read; their levels' spread (from the middle half) and the noise of one reading
    together.

    Args:
        correction_state: The published table.
        vehicles: The drop table.
        family: Its name.
    """
    peers = vehicles.filter(pl.col("engine_family") == family).select("vehicle_id")
    known = correction_state.join(peers, on="vehicle_id", how="semi").drop_nulls(["expected", "band_low", "band_high"])
    usual = pl.col("expected")
    levels = (usual.quantile(0.75) - usual.quantile(0.25)) / 1.349
    noise = (pl.col("band_high") - pl.col("band_low")).median() / (2 * BAND_SIGMAS)
    return (
        known.group_by("correction")
        .agg(usual=usual.median(), sigma=(levels**2 + noise**2).sqrt(), peers=pl.len())
        .filter(pl.col("peers") >= FEWEST_PEERS, pl.col("sigma") > 0)
        .sort("correction")
    )


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Drop tables of the fleet that a visitor is held against: catalogue, families, vehicles, and confirmed work."""

    corrections: pl.DataFrame
    families: pl.DataFrame
    vehicles: pl.DataFrame
    work: pl.DataFrame


def visitor(
    values: Mapping[str, float], codes: Sequence[str], family: str, usual: pl.DataFrame, fleet: Fleet
) -> Visitor:
    """Hold one reading of a vehicle of a family against its peers.

    Args:
        values: What was read, by correction, in the catalogue's units.
        codes: Trouble codes that stand.
        family: Its engine family.
        usual: `family_now`.
        fleet: What is known of it.

    Raises:
        LeewayError: nothing that was read can be compared.
    """
    limited = fleet.corrections.drop_nulls(["low_limit", "high_limit"])["code"]
    known = usual.filter(pl.col("correction").is_in(list(values)), pl.col("correction").is_in(limited.implode()))
    known = known.sort("correction")
    if known.is_empty():
        raise LeewayError(
            f"engine family {family}: fewer than {FEWEST_PEERS} of its vehicles were read, so nothing is known to "
            "compare this reading with; read more vehicles of the family"
        )
    names = tuple(known["correction"])
    catalogue = fleet.corrections.filter(pl.col("code").is_in(names)).sort("code")
    read = np.array([values[name] for name in names])
    middle, sigma = known["usual"].to_numpy(), known["sigma"].to_numpy()
    low, high = catalogue["low_limit"].to_numpy(), catalogue["high_limit"].to_numpy()
    pattern = Pattern(
        scatters=((read - middle) / sigma)[None],
        up=(np.maximum(high - middle, 1e-9) / sigma)[None],
        down=(np.maximum(middle - low, 1e-9) / sigma)[None],
    )
    laid_out = hypotheses(names, engine_layout(fleet.families, family, catalogue))
    told, spoken = log_code_ratios(("",), _spoken(codes), laid_out)
    joint = _log_joint(pattern, laid_out, told, fleet)
    findings = Findings(
        codes=names,
        titles=dict(catalogue.select("code", "title").iter_rows()),
        units=dict(catalogue.select("code", "unit").iter_rows()),
        z=pattern.scatters,
        deviation=(read - middle)[None],
        laid_out=laid_out,
    )
    rows = ranking_rows(("",), laid_out, probabilities(joint), findings, spoken)
    schema = published_tables()["cause_ranking"].schema
    ranking = pl.DataFrame(rows, schema={name: schema[name] for name in schema if name != "rank"})
    against = known.select(
        "correction",
        value=read,
        usual="usual",
        low=middle - BAND_SIGMAS * sigma,
        high=middle + BAND_SIGMAS * sigma,
        scatters=(read - middle) / sigma,
    )
    return Visitor(
        against=against.sort(pl.col("scatters").abs(), descending=True),
        ranking=ranking.sort("probability", descending=True, maintain_order=True).with_columns(
            rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64)
        ),
        unsaid=(SAYS_NOTHING_OF, *_not_compared(values, names)),
    )


def _log_joint(pattern: Pattern, laid_out: tuple[Hypothesis, ...], told: Float64s, fleet: Fleet) -> Float64s:
    priors, (other, _) = cause_priors(fleet.work, fleet.vehicles), shares_beyond(fleet.work)
    joint = log_joint(
        pattern, signatures_of(laid_out), log_prior=np.log([priors[h.cause.id] * h.prior for h in laid_out]),
        log_told=told, alarmed=np.zeros(1, dtype=np.bool_), unknown=DEFECT_PRESENT * other,
    )  # fmt: skip
    heard = np.array([h.named.any() for h in laid_out], dtype=np.bool_)
    joint[:, :-1][:, ~heard & (told[0] <= 0)] = -np.inf  # what none of its corrections could show
    return joint


def _spoken(codes: Sequence[str]) -> pl.DataFrame:
    plain = sorted({code.strip().upper()[:5] for code in codes if code.strip()})
    return pl.DataFrame(
        {"vehicle_id": [""] * len(plain), "code": plain}, schema={"vehicle_id": pl.String, "code": pl.String}
    )


def _not_compared(values: Mapping[str, float], names: Sequence[str]) -> list[str]:
    left = sorted(set(values) - set(names))
    return [f"Not compared, since too few of its peers read it: {', '.join(left)}."] if left else []
