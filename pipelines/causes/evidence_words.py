"""Plain sentences for a ranked cause: what speaks for it, what resembles it, what would tell the two apart."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipelines.causes.check_results import result_ratio
from pipelines.causes.confirmed import Learned
from pipelines.causes.freeze_frames import Frame, log_frame_ratio
from pipelines.causes.hypotheses import Hypothesis
from pipelines.causes.knowledge import checks, wholes
from pipelines.causes.next_check import parting_check
from pipelines.figure_words import percent
from pipelines.handover import Bools, Float64s

NOTABLE = 2.0  # deviations above as many sigmas of healthy noise are named
MOST_NAMED = 3  # corrections named in one sentence
RIVAL = 0.10  # probability from which a look-alike is named
LARGE = 5.0  # deviations above as many sigmas want an explanation
STILL, TELLING = 0.1, 0.3  # shares: a cause leaves a correction alone, a cause must move it
SOMEWHAT = 1.2  # the same of a freeze frame, which is damped
SPEAKS = 1.5  # ratio of chances from which a result is said to speak for a cause, or against it
MOST_AGAINST = 2  # look-alikes that are ruled out in words
SAME = 0.9  # cosine of two signatures from which the readings cannot tell them apart

Leaders = Sequence[tuple[Hypothesis, float]]


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What was found on one family's vehicles at their newest reading, for wording."""

    codes: tuple[str, ...]  # C
    titles: Mapping[str, str | None]
    units: Mapping[str, str | None]
    z: Float64s  # [V, C], deviation in sigmas of healthy noise, as published; NaN: not judged
    deviation: Float64s  # [V, C], unit of the correction
    checked: Mapping[str, Sequence[tuple[str, str]]] = field(default_factory=dict)  # by vehicle: check and result
    frames: Mapping[str, Sequence[Frame]] = field(default_factory=dict)  # by vehicle: conditions in which codes set
    drives: Mapping[int, Float64s] = field(default_factory=dict)  # by vehicle: what `drivers` tells of the change
    taught: Learned = field(default_factory=Learned)  # confirmed cases of this fleet
    laid_out: Sequence[Hypothesis] = ()  # all causes on this family's engine
    depots: Mapping[int, str] = field(default_factory=dict)  # by vehicle: what its depot did with it as a whole
    remarks: Mapping[str, str] = field(default_factory=dict)  # by vehicle: what was done since its newest reading
    beside: Mapping[int, tuple[Hypothesis, float]] = field(default_factory=dict)  # a second cause, and its chance

    @cached_property
    def _look_alikes(self) -> dict[tuple[str, int | None], list[Hypothesis]]:
        """By cause and bank, as far as they were asked for."""
        return {}

    def look_alikes(self, hypothesis: Hypothesis) -> list[Hypothesis]:
        """The causes that the knowledge holds for its look-alikes, each in one of its ways on this engine."""
        key = (hypothesis.cause.id, hypothesis.bank)
        if key not in self._look_alikes:
            found: dict[str, Hypothesis] = {}
            for other in self.laid_out:
                if hypothesis.cause.apart_from(other.cause.id) and other.bank in {None, hypothesis.bank}:
                    found.setdefault(other.cause.id, other)
            self._look_alikes[key] = list(found.values())
        return self._look_alikes[key]

    @cached_property
    def away(self) -> Float64s:
        """[V, C] size of each deviation in sigmas; 0: not judged."""
        return np.abs(np.nan_to_num(self.z))

    @cached_property
    def judged(self) -> Bools:
        """[V, C] which could be."""
        return ~np.isnan(self.z)

    def named(self, vehicle: int, columns: Sequence[int]) -> str:
        """Corrections with their deviations, as a list in words."""
        return "; ".join(
            f"{self.titles.get(self.codes[c]) or self.codes[c]} {signed(self.deviation[vehicle, c])}"
            f" {self.units.get(self.codes[c]) or ''}".rstrip()
            + f" ({abs(self.z[vehicle, c]):.1f} times its healthy scatter)"
            for c in columns
        )


def signed(value: float) -> str:
    """A deviation to three figures, with the sign a reader expects to see."""
    return f"{value:+.3g}".replace("-", "\N{MINUS SIGN}")


def cause_evidence(
    hypothesis: Hypothesis, leaders: Leaders, *, findings: Findings, vehicle: int, vehicle_id: str, codes: Sequence[str]
) -> str:
    """Why this cause is thought of on this vehicle, and what it could be mistaken for."""
    support = _support(hypothesis, findings, vehicle)
    own = [code for code in codes if code in hypothesis.code_names]
    sentences = [f"For it: {findings.named(vehicle, support)}."] if support else []
    sentences += [f"Of {what}: {unsaid}." for what, unsaid in _unsaid(findings, support).items()]
    if hypothesis.cause.reaches_depots and vehicle in findings.depots:
        sentences.append(findings.depots[vehicle])
    if own:
        sentences.append(
            f"{'Codes' if len(own) > 1 else 'Code'} {', '.join(own)} {'fit' if len(own) > 1 else 'fits'} it."
        )
    sentences += _frozen(hypothesis, findings.frames.get(vehicle_id, ()))
    sentences += _driven(hypothesis, findings.drives.get(vehicle))
    sentences += _checked(hypothesis, findings.checked.get(vehicle_id, ()))
    if not sentences:
        sentences.append("Nothing stands out for it; it is only not ruled out.")
    sentences += _behind(hypothesis, findings.taught)
    against = _against(hypothesis, leaders, findings, vehicle)
    if hypothesis is leaders[0][0] and vehicle in findings.beside:
        second, share = findings.beside[vehicle]
        against.append(f"Beside it: {_name(second)} ({percent(share)}), which what it leaves unexplained points to.")
    return " ".join([*sentences, *against, *_rivals(hypothesis, leaders, findings, vehicle)])


def _support(hypothesis: Hypothesis, findings: Findings, vehicle: int) -> list[int]:
    """Notable departures towards the side that this cause moves them to, those that say most of it first."""
    notable = np.flatnonzero(findings.away[vehicle] > NOTABLE)
    towards = findings.z[vehicle, notable] * hypothesis.share[notable]
    order = np.argsort(-towards, kind="stable")[:MOST_NAMED]
    return [int(notable[n]) for n in order if towards[n] > 0]


def _unsaid(findings: Findings, columns: Sequence[int]) -> dict[str, str]:
    """What corrections leave open that were read without their region, by their titles."""
    named = {findings.codes[c]: findings.titles.get(findings.codes[c]) or findings.codes[c] for c in columns}
    return {
        title: whole.unsaid for code, title in named.items() for whole in wholes() if whole.stands_for(code)
    }  # fmt: skip


def none_evidence(findings: Findings, vehicle: int, codes: Sequence[str], leaders: Leaders) -> str:
    """Why none of the known causes may be it: nothing departs, or what departs fits none."""
    z = findings.away[vehicle]
    leading = [int(c) for c in np.argsort(-z, kind="stable") if z[c] > NOTABLE][:MOST_NAMED]
    standing = f" Stored: {', '.join(codes)}." if codes else ""
    if not leading:
        return f"No correction departs from what this vehicle should read.{standing}"
    departs = findings.named(vehicle, leading)
    if leaders:
        return f"If none of the causes named: what departs most is {departs}.{standing}"
    return f"What departs most is {departs}; no known cause explains it.{standing}"


def _behind(hypothesis: Hypothesis, taught: Learned) -> list[str]:
    """How many confirmed cases of this fleet stand behind a cause, and how often it was so when it was named."""
    cases = taught.cases.get(hypothesis.cause.id, 0)
    if not cases:
        return []
    words = f"Behind it: {cases} confirmed {'case' if cases == 1 else 'cases'} of this fleet"
    if row := taught.share_of.get(hypothesis.cause.id):
        words += (
            f"; named first and looked into {_times(row['looked_into'])}, right {_times(row['confirmed'])}"
            f" ({percent(row['low'])} to {percent(row['high'])})"
        )
    return [f"{words}."]


def _times(count: int) -> str:
    return {0: "not once", 1: "once"}.get(count, f"{count} times")


def _frozen(hypothesis: Hypothesis, frames: Sequence[Frame]) -> list[str]:
    """What the conditions in which its codes set say for this cause, or against it."""
    words = []
    for frame in frames:
        named = frame.code in hypothesis.code_names
        ratio = np.exp(log_frame_ratio(frame, hypothesis.cause.id)) if named else 1.0
        if not 1 / SOMEWHAT < ratio < SOMEWHAT:
            words.append(f"{frame.code} set {frame.words()}, which speaks {'for' if ratio > 1 else 'against'} it.")
    return words


def _driven(hypothesis: Hypothesis, drives: Float64s | None) -> list[str]:
    """What the cold and the kilometres say for this cause, or against it."""
    if drives is None:
        return []
    cold, by_km = (float(each) for each in drives)
    cause, words = hypothesis.cause, []
    if cause.cold and abs(cold) > np.log(SPEAKS):
        side = "for" if (cold > 0) == (cause.cold > 0) else "against"
        words.append(f"It is more {'in the cold' if cold > 0 else 'in warm weather'}, which speaks {side} it.")
    if cause.by_km and abs(by_km) > np.log(SPEAKS):
        by, side = ("kilometres", "for") if by_km > 0 else ("days", "against")
        words.append(f"It grows with {by}, which speaks {side} it.")
    return words


def _checked(hypothesis: Hypothesis, results: Sequence[tuple[str, str]]) -> list[str]:
    """What checks on the vehicle found, where it speaks for or against this cause."""
    words = []
    for check_id, result in results:
        ratio = result_ratio(check_id, result, hypothesis.cause.id)
        if not 1 / SPEAKS < ratio < SPEAKS:
            check = checks()[check_id]
            side = "for" if ratio > 1 else "against"
            words.append(f"Checked, speaks {side} it: {check.title}: {check.results[result]}.")
    return words


def _name(hypothesis: Hypothesis) -> str:
    """Its cause with the place."""
    place = "".join(
        f", {word} {number}"
        for word, number in (("bank", hypothesis.bank), ("cylinder", hypothesis.cylinder))
        if number is not None
    )
    return f"{hypothesis.cause.title}{place}"


def _against(hypothesis: Hypothesis, leaders: Leaders, findings: Findings, vehicle: int) -> list[str]:
    """What speaks against this cause, and what rules its look-alikes out."""
    away = findings.away[vehicle]
    words = []
    left = [int(c) for c in np.argsort(-away) if away[c] > LARGE and not hypothesis.named[c]][:MOST_NAMED]
    if left and vehicle not in findings.beside:
        words.append(f"Against it: it does not explain {findings.named(vehicle, left)}.")
    calm = (away < NOTABLE) & findings.judged[vehicle] & (hypothesis.size < STILL)
    looked_for = {other.cause.id: other for other, _ in reversed(leaders)}
    rivals = [looked_for[key] for key in looked_for if key != hypothesis.cause.id]
    rivals += [other for other in findings.look_alikes(hypothesis) if other.cause.id not in looked_for]
    for rival in rivals:
        if len(words) >= MOST_AGAINST:
            break
        size = calm * rival.size
        place = int(size.argmax())
        if size[place] >= TELLING:
            title = findings.titles.get(findings.codes[place]) or findings.codes[place]
            words.append(f"Against {rival.cause.title}: {title} is where it should be.")
    return words


def _rivals(hypothesis: Hypothesis, leaders: Leaders, findings: Findings, vehicle: int) -> list[str]:
    judged = findings.judged[vehicle]
    rivals = [(other, share) for other, share in leaders if share >= RIVAL and other.cause.id != hypothesis.cause.id]
    same = [other for other, _ in rivals if _alike(hypothesis, other, judged) > SAME]
    words = []
    if same:
        names = " or ".join(dict.fromkeys(other.cause.title for other in same))
        words.append(f"What is read here cannot tell it from: {names}.")
    if rivals:
        other, share = rivals[0]
        apart = hypothesis.cause.apart_from(other.cause.id)
        told = f"; {apart}" if apart else ""
        check = parting_check(hypothesis.cause.id, other.cause.id)
        words.append(f"Look-alike: {other.cause.title} ({percent(share)}){told}.")
        words.append(f"What parts them: {check.title} ({check.minutes:.0f} minutes).")
    return words


def _alike(one: Hypothesis, other: Hypothesis, judged: Bools) -> float:
    """Cosine between two signatures over the corrections that can be judged."""
    a, b = one.share[judged], other.share[judged]
    length = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(a @ b) / length if length else 1.0
