"""How likely each cause is on each vehicle: departures, codes and priors in, probabilities out; no words, no tables."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import logsumexp

from pipelines.causes.bayes_factors import FARTHEST, Pattern, Signatures, log_unknown, of_vehicles, whole_and_alone
from pipelines.causes.hypotheses import Hypothesis
from pipelines.handover import Bools, Float64s, Int64s

SEVERITY_SCALE = 0.4  # half-normal, share of the way to the limit; most defects are met before it (judgement)
STANDS_OUT = 4.0  # scatters from which a vehicle is looked at; below, and without a code, it is healthy
SEVERAL, SEVERAL_STAND_OUT = 3, 2.5  # or so many corrections from so many scatters (judgement)
LEAD_FROM = 4.0  # scatters from which what departs most must be explained
SECOND_FROM = 5.0  # scatters from which what the leading cause does not touch points to a second one
UNEXPLAINED = 6.0  # nats that a cause loses which explains nothing of what departs most (judgement)
REACHES = 0.1  # share of what departs most below which a cause is not looked at, unless a code or check speaks for it
OWN_PART = 0.2  # of its largest share, from which a correction belongs to what a cause explains (judgement)
ALONE, MAIN = (
    0.15,
    0.7,
)  # share of cases that show in their main corrections alone: in those with so much of the largest share
ODD, ODD_WITHOUT_ALARM = 1e-4, 1e-3  # of a healthy vehicle's corrections, with and without an alarm, that scatter more
ODD_SCATTERS = 3.0  # times the usual scatter (judgement)


def signatures_of(laid_out: Sequence[Hypothesis], *, spread: Sequence[float] | float = 1.0) -> Signatures:
    """Of all hypotheses, in their order; `spread` [K] or one: factor on the signature's own error."""
    factor = np.broadcast_to(np.asarray(spread, dtype=np.float64), len(laid_out))[:, None]
    return Signatures(
        share=np.array([h.share for h in laid_out]),
        spread=np.array([h.spread for h in laid_out]) * factor,
        absent=np.array([h.absent for h in laid_out]),
    )


def log_joint(
    pattern: Pattern,
    signatures: Signatures,
    *,
    log_prior: Float64s,
    log_told: Float64s,
    alarmed: Bools,
    unknown: float,
    odd: float = 1.0,
) -> Float64s:
    """Log of prior times likelihood of every hypothesis and, last, of none of them, [V, K + 1].

    Args:
        pattern: What departs on V vehicles.
        signatures: K of them.
        log_prior: [K] of each on a vehicle; their sum and `unknown` are below 1.
        log_told: [V, K] what codes, checks and other evidence say of each, against none of them.
        alarmed: [V] whether the drift test found that something strays.
        unknown: Probability of a problem that no signature names.
        odd: How many times as often as usual health scatters more: what was looked into and nothing found.
    """
    healthy = np.log(-np.expm1(np.log(np.exp(log_prior).sum() + unknown)))
    reached = explained(pattern, signatures)
    whole, alone = whole_and_alone(
        pattern, signatures, _main(signatures), severity_scale=SEVERITY_SCALE,
        wanted=(reached >= REACHES) | (log_told > 1.0),
    )  # fmt: skip
    fit = np.logaddexp(np.log1p(-ALONE) + whole, np.log(ALONE) + alone)
    joint = log_prior + log_told + fit - UNEXPLAINED * (1.0 - reached)
    none = np.logaddexp(healthy + _log_odd(pattern, alarmed, odd), np.log(unknown) + log_unknown(pattern))
    return np.concatenate([joint, none[:, None]], axis=1)


def _main(signatures: Signatures) -> Bools:
    """[K, C] what is left of each signature where its companions do not show."""
    size = np.abs(signatures.share)
    main: Bools = (size >= MAIN * size.max(axis=1, keepdims=True, initial=0.0)) & (size > 0)
    main |= (size.max(axis=1, initial=0.0) == 0)[:, None]
    return main


def probabilities(joint: Float64s) -> Float64s:
    """[V, K + 1], rows sum to 1."""
    shares: Float64s = np.exp(joint - logsumexp(joint, axis=1, keepdims=True))
    return shares


def second_causes(
    pattern: Pattern, leading: Int64s, *, signatures: Signatures, log_prior: Float64s, unknown: float
) -> tuple[Int64s, Float64s]:
    """What else each vehicle has, beside the hypothesis that leads: [V] index, and its probability; 0: nothing is left.

    What the leading one names says nothing more; what is left must stand out by itself.
    """
    named = (signatures.share != 0) | (signatures.spread > 0)
    left = replace(pattern, scatters=np.where(named[leading], np.nan, pattern.scatters))
    stands_out = np.flatnonzero(np.abs(np.nan_to_num(left.scatters)).max(axis=1, initial=0.0) >= SECOND_FROM)
    told, alarmed = np.zeros((len(stands_out), len(log_prior))), np.ones(len(stands_out), dtype=np.bool_)
    joint = log_joint(
        of_vehicles(left, stands_out), signatures, log_prior=log_prior, log_told=told, alarmed=alarmed, unknown=unknown
    )
    share = probabilities(joint)[:, :-1]
    best, chance = np.zeros(len(leading), dtype=np.int64), np.zeros(len(leading))
    best[stands_out] = share.argmax(axis=1)
    chance[stands_out] = share.max(axis=1)
    return best, chance


def looked_at(pattern: Pattern, has_evidence: Bools) -> Bools:
    """[V] vehicles on which something departs, or of which something else is known; the others are healthy.

    An alarm is such evidence: the drift test weighs all readings since the onset, the newest level alone says less.
    """
    size = np.abs(np.nan_to_num(pattern.scatters))
    several = np.sum(size >= SEVERAL_STAND_OUT, axis=1) >= SEVERAL
    looked: Bools = has_evidence | several | (size >= STANDS_OUT).any(axis=1)
    return looked


def explained(pattern: Pattern, signatures: Signatures) -> Float64s:
    """[V, K] how far each signature reaches what departs most: the largest departure it explains over the largest.

    A cause that leaves the largest departure unexplained is not the one that explains most. 1 where nothing stands out.
    """
    x = np.nan_to_num(pattern.scatters)
    most = np.abs(x).max(axis=1, initial=0.0)
    reached = np.ones((len(x), len(signatures.share)))
    for k, (share, spread) in enumerate(zip(signatures.share, signatures.spread, strict=True)):
        largest = np.abs(share).max(initial=0.0)
        upwards = (share > OWN_PART * largest) | ((share == 0) & (spread >= OWN_PART))
        downwards = (share < -OWN_PART * largest) | ((share == 0) & (spread >= OWN_PART))
        own = np.maximum(np.where(upwards, x, 0.0), np.where(downwards, -x, 0.0))
        reached[:, k] = np.maximum(own.max(axis=1, initial=0.0), 0.0) / np.maximum(most, LEAD_FROM)
    return np.where(most[:, None] >= LEAD_FROM, reached, 1.0)


def _log_odd(pattern: Pattern, alarmed: Bools, odd: float) -> Float64s:
    """[V] log likelihood of health in which single corrections scatter more than usual, less that of health alone."""
    share = odd * np.where(alarmed, ODD, ODD_WITHOUT_ALARM)[:, None]
    x = np.minimum(np.abs(np.nan_to_num(pattern.scatters)), FARTHEST)
    wider = 0.5 * x**2 * (1.0 - 1.0 / ODD_SCATTERS**2) - np.log(ODD_SCATTERS)
    told: Float64s = np.logaddexp(np.log1p(-share), np.log(share) + wider).sum(
        axis=1, where=~np.isnan(pattern.scatters)
    )
    return told
