"""One story is one finding: what happens in the same episodes at the same place is joined, before and after judging.

Before any p-value is looked at, things at one level of a factor that share most of their episodes become one story, so
that false discoveries are counted over stories. After it, a story that says nothing beyond a surer one (another factor
that covers the same vehicles, a season of a depot) is listed inside that one.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np

from pipelines.handover import Float64s
from pipelines.recurring.comparing import Pair, Places, Thing, pair_at
from pipelines.recurring.rates import MOST_P, rate_ratio_limits

SHARED = 0.5  # share of a pair's episodes from which it belongs to a story (judgement: most of what happened)
RELATED = 1 / 3  # share of episodes from which one story may be what another says already (judgement)
FINDING = 0.05  # q-value up to which a story is a finding
LEAST_RATIO = 1.1  # lower limit of the rate ratio from which it is worth acting on (judgement)
OF_ITSELF = 0.05  # p-value that a story keeps without the vehicles and weeks of a surer one, to stand beside it
AT_ONCE = timedelta(days=21)  # most of a finding within it, on several vehicles: what they share (judgement)
SEVERAL = 5  # vehicles
DRIFT = "correction"  # kind of a drift that no cause or code names
KINDS = ("cause", "code", DRIFT)  # what names a story, the most telling first


@dataclass(kw_only=True)
class Story:
    """Pairs of one level that happen in the same episodes, the one that names it first."""

    pairs: list[Pair]
    p_value: float = 1.0
    q_value: float = 1.0
    within: list[Pair] = field(default_factory=list)  # heads of stories that say nothing beyond it

    @cached_property
    def head(self) -> Pair:
        """What the story is told by: a cause before a code before a correction, if it stands out by itself."""
        telling = [pair for pair in self.pairs if pair.p_value <= OF_ITSELF] or self.pairs
        order = {kind: n for n, kind in enumerate(KINDS)}
        return min(telling, key=lambda pair: (order.get(pair.kind, len(KINDS)), pair.p_value, pair.what))


def stories_of(pairs: Sequence[Pair]) -> list[Story]:
    """Pairs joined into stories, each with its p-value.

    A story's p-value is Simes' (1986, Biometrika 73, 751-754), valid for tests that depend positively, as those of
    the same episodes do.
    """
    stories: list[Story] = []
    by_level: dict[tuple[str, str], list[Story]] = {}
    for pair in sorted(pairs, key=lambda p: (p.factor, p.level, -p.exposed_events, p.kind, p.what)):
        here = by_level.setdefault((pair.factor, pair.level), [])
        for story in here:
            if _shared(pair, story.pairs[0]) >= SHARED:
                story.pairs.append(pair)
                break
        else:
            here.append(Story(pairs=[pair]))
            stories.append(here[-1])
    for story in stories:
        p_values = np.sort([pair.p_value for pair in story.pairs])
        story.p_value = float(min(1.0, (p_values * len(p_values) / np.arange(1, len(p_values) + 1)).min()))
    return stories


def findings_of(
    stories: Sequence[Story], things: Mapping[tuple[str, str], Thing], place: Callable[[Pair], Places]
) -> list[Story]:
    """Stories sure and large enough to act on, surest first, each with those inside it that it explains.

    q-values hold the false discovery rate over all stories for counts, which are whole numbers (Döhler, Durand and
    Roquain 2018, Electronic Journal of Statistics 12, 1867-1900: their step-up, up to MOST_P): a story that could not
    reach a p-value, wherever its events had fallen, does not count against one that did. Each kind of thing has the
    same share of what may be false (Genovese, Roeder and Wasserman 2006, Biometrika 93, 509-524): a hundred corrections
    at thirty places must not drown one habit of a workshop.

    Args:
        stories: From `stories_of`.
        things: By kind and what; of all stories.
        place: Of a pair, its factor on its rows.
    """
    if not stories:
        return []
    _judge(stories)
    sure = [story for story in stories if story.q_value <= FINDING]
    findings: list[Story] = []
    for story in sorted(sure, key=lambda s: (s.p_value, s.head.factor, s.head.level, s.head.what)):
        around = next((found for found in findings if _same_drift(story.head, found.head)), None)
        related = [found for found in findings if around is None and _related(story, found)]
        around = around or next((f for f in related if not _of_itself(story.head, f.head, things, place)), None)
        if around is not None:
            around.within.append(story.head)
        elif rate_ratio_limits(story.head.comparison)[0] >= LEAST_RATIO:
            findings.append(story)
    return findings


def _judge(stories: Sequence[Story]) -> None:
    """Gives each story its q-value."""
    by_kind: dict[str, list[Story]] = {}
    for story in stories:
        by_kind.setdefault(story.pairs[0].kind, []).append(story)
    every = [story for alike in by_kind.values() for story in alike]
    false = np.concatenate([_by_chance(alike) for alike in by_kind.values()]) * len(by_kind)
    order = np.argsort(false, kind="stable")
    share = false[order] / np.arange(1, len(order) + 1)
    q_values = np.minimum(np.minimum.accumulate(share[::-1])[::-1], 1.0)
    for place, q_value in zip(order.tolist(), q_values.tolist(), strict=True):
        every[place].q_value = q_value


def _by_chance(stories: Sequence[Story]) -> Float64s:
    """Of each story: how many of them all would come with as low a p-value by chance; infinite above MOST_P.

    A story of several pairs comes as low no oftener than any of them does, nor, by Simes' inequality, than the one of
    them that could most often.
    """
    p_values = np.array([story.p_value for story in stories])
    low = p_values <= MOST_P
    asked, counted = np.append(p_values[low], MOST_P), np.zeros(int(low.sum()))
    for story in stories:
        chances = np.array([pair.excess.chance_of(asked) for pair in story.pairs])
        chance = np.minimum(chances.sum(axis=0), np.maximum(asked, chances.max(axis=0)))
        counted += chance[:-1] / (1.0 - chance[-1])
    by_chance = np.full(len(stories), np.inf)
    by_chance[low] = counted
    return by_chance


def came_at_once(pair: Pair) -> datetime | None:
    """When most of it began on several vehicles within AT_ONCE: fuel, weather, what their place shares; else None."""
    if pair.vehicles < SEVERAL:
        return None
    at = sorted(pair.at)
    within = [bisect_right(at, when + AT_ONCE) - n for n, when in enumerate(at)]
    most = max(within)
    return at[within.index(most)] if most > len(at) / 2 else None


def _same_drift(one: Pair, other: Pair) -> bool:
    """Whether both are drifts without a name at one level: what makes them drift there is one thing to look into."""
    return one.kind == other.kind == DRIFT and (one.rows, one.factor, one.level) == (
        other.rows,
        other.factor,
        other.level,
    )


def _related(story: Story, found: Story) -> bool:
    """Whether both speak of largely the same episodes, or of what came at once at one place."""
    one, other = story.head, found.head
    if one.rows != other.rows:
        return False
    if (one.factor, one.level) == (other.factor, other.level):
        begun, other_begun = came_at_once(one), came_at_once(other)
        if begun and other_begun and abs(begun - other_begun) <= AT_ONCE:
            return True
    smaller = min(len(one.episodes), len(other.episodes))
    return len(one.episodes & other.episodes) >= RELATED * smaller


def _shared(pair: Pair, head: Pair) -> float:
    """Share of a pair's episodes at the level that are the head's, too."""
    return len(pair.episodes & head.episodes) / max(len(pair.episodes), 1) if pair.rows == head.rows else 0.0


def _of_itself(
    pair: Pair, found: Pair, things: Mapping[tuple[str, str], Thing], place: Callable[[Pair], Places]
) -> bool:
    """Whether a pair still stands out without the time at the level of another finding."""
    thing, there = things[pair.kind, pair.what], place(found)
    elsewhere = there.level != there.levels.index(found.level)
    left = pair_at(thing, place(pair).within(thing.at_risk & elsewhere), pair.level)
    return left is not None and left.p_value <= OF_ITSELF
