"""Causes that reach a whole depot at once, as bad fuel does: what its vehicles share in, how likely each is out.

What all vehicles of a depot do together is taken out of each one's departures: it is weather, fuel or a reader, and no
vehicle's defect. But a cause that can reach a depot shows in just that. So it is ranked over what is shared, once a
depot, and heard for those of its vehicles that moved with it and of which something is known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import logsumexp

from pipelines.causes.bayes_factors import Pattern, log_likelihoods, of_vehicles
from pipelines.causes.departures import Departures
from pipelines.causes.evidence_words import MOST_NAMED, NOTABLE, signed
from pipelines.causes.hypotheses import Hypothesis
from pipelines.causes.posterior import SEVERITY_SCALE, STANDS_OUT, log_joint, probabilities, signatures_of
from pipelines.handover import Bools, Float64s, Int32s, Panel

FEWEST = 3  # vehicles of a depot that can share something (judgement)
UNLIKE = 0.1  # of what is unknown and moves a depot, looks like a cause that cannot (judgement)
STRUCK = 0.5  # from which what a depot shares is taken for such a cause: likelier than not


def struck_depots(
    shared: Pattern, depot: Int32s, laid_out: Sequence[Hypothesis], *, log_prior: Float64s, unknown: float
) -> Float64s:
    """[V, K] how likely each cause that can reach a depot reached that of each vehicle; 0 for the others.

    Of what is unknown, UNLIKE looks like any of the causes that cannot.

    Args:
        shared: What each vehicle's departures were freed of, as V vehicles.
        depot: [V] index.
        laid_out: K hypotheses.
        log_prior: [K].
        unknown: Probability of something that no signature names.
    """
    chance = np.zeros((len(depot), len(laid_out)))
    reach = np.array([h.cause.reaches_depots for h in laid_out], dtype=np.bool_)
    members = [np.flatnonzero(depot == place) for place in np.unique(depot)]
    middle = [np.nanmedian(np.nan_to_num(shared.scatters[here]), axis=0) for here in members]
    members = [
        here
        for here, common in zip(members, middle, strict=True)
        if len(here) >= FEWEST and np.abs(common).max(initial=0.0) >= STANDS_OUT
    ]
    if not reach.any() or not members:
        return chance
    together = Pattern(
        **{name: np.array([np.nanmedian(np.nan_to_num(getattr(shared, name)[here]), axis=0) for here in members])
           for name in ("scatters", "up", "down")}
    )  # fmt: skip
    unlike = np.log(UNLIKE * unknown / max(int(np.sum(~reach)), 1))
    joint = log_joint(
        together, signatures_of(laid_out), log_prior=np.where(reach, log_prior, unlike),
        log_told=np.zeros((len(members), len(laid_out))), alarmed=np.ones(len(members), dtype=np.bool_),
        unknown=(1.0 - UNLIKE) * unknown,
    )  # fmt: skip
    for here, share in zip(members, probabilities(joint), strict=True):
        chance[here] = np.where(reach, share[:-1], 0.0)
    return chance


def parted_from_depots(
    pattern: Pattern, shared: Pattern, depot: Int32s, laid_out: Sequence[Hypothesis], *, log_prior: Float64s,
    unknown: float,
) -> tuple[Float64s, Pattern]:  # fmt: skip
    """How likely the cause that reached its depot reached each vehicle, [V, K], and what departs on each by itself.

    A vehicle that stayed where it was while a cause moved its depot was not reached: nothing is taken out of its
    departures. Where nothing reached a depot, all is as it was.

    Args:
        pattern: Departures from the depot of V vehicles.
        shared: What was taken out of them.
        depot: [V] index.
        laid_out: K hypotheses.
        log_prior: [K].
        unknown: Probability of something that no signature names.
    """
    struck = struck_depots(shared, depot, laid_out, log_prior=log_prior, unknown=unknown)
    asked = np.flatnonzero(struck.sum(axis=1) >= STRUCK)
    if not len(asked):
        return np.zeros_like(struck), pattern
    calmer = shared.up / pattern.up  # what departs lies in scatters as they are while the depot moves
    whole = replace(shared, scatters=pattern.scatters * calmer + np.nan_to_num(shared.scatters))
    reach = np.flatnonzero(struck.max(axis=0) > 0).tolist()
    fit = log_likelihoods(
        of_vehicles(whole, asked), signatures_of([laid_out[k] for k in reach]), severity_scale=SEVERITY_SCALE
    )
    along = np.zeros(len(depot), dtype=np.bool_)
    along[asked] = logsumexp(fit, b=struck[asked][:, reach], axis=1) > 0.0
    stayed = np.setdiff1d(asked, np.flatnonzero(along))
    scatters = pattern.scatters.copy()
    scatters[stayed] = whole.scatters[stayed] / calmer[stayed]
    return struck * along[:, None], replace(pattern, scatters=scatters)


def with_depots_heard(
    joint: Float64s, struck: Float64s, *, log_prior: Float64s, told: Float64s, known: Bools
) -> Float64s:
    """The same, [V, K + 1], where vehicles of which something is `known` moved with a depot that a cause reached.

    What that cause makes of such a vehicle is that it lies where its depot does, as health makes it of others, or
    farther along, as one is reached more than another. A cause of its own comes before it where it explains what is
    left so much better.

    Args:
        joint: From `log_joint`, of departures from the depot.
        struck: [V, K] from `parted_from_depots`.
        log_prior: [K].
        told: [V, K] what codes, checks and freeze frames say of each.
        known: [V].
    """
    asked = np.flatnonzero(known & (struck.sum(axis=1) > 0))
    heard = joint.copy()
    along = np.logaddexp(joint[asked, -1:] + told[asked], joint[asked, :-1] - log_prior) - np.log(2.0)
    with np.errstate(divide="ignore"):
        heard[asked, :-1] = np.logaddexp(joint[asked, :-1], np.log(struck[asked]) + along)
    heard[asked, -1] += np.log(np.maximum(1.0 - struck[asked].sum(axis=1), 1e-12))
    return heard


def depots_words(
    panel: Panel, now: Departures, struck: Float64s, *, titles: Mapping[str, str | None],
    units: Mapping[str, str | None],
) -> dict[int, str]:  # fmt: skip
    """By vehicle that moved with its depot: what moved, and what that means.

    Args:
        panel: Of the family.
        now: Its departures.
        struck: [V, K] from `parted_from_depots`.
        titles: By correction.
        units: By correction.
    """
    depot, words = panel.depot[panel.row_start[1:] - 1], {}
    size = np.abs(np.nan_to_num(now.shared.scatters))
    for v in np.flatnonzero(struck.sum(axis=1) >= STRUCK):
        columns = [c for c in np.argsort(-size[v], kind="stable")[:MOST_NAMED] if size[v, c] > NOTABLE]
        moved = "; ".join(
            f"{titles.get(panel.codes[c]) or panel.codes[c]} {signed(now.shared_deviation[v, c])}"
            f" {units.get(panel.codes[c]) or ''}".rstrip()
            for c in columns
        )
        words[int(v)] = (
            f"Most vehicles of depot {panel.depots[depot[v]]} moved together: {moved}. Look at what they share first."
        )
    return words
