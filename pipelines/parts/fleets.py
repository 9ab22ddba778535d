"""Plans for the fleet of a store: where the readings of its parts come from."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from pipelines.backtest import Made
from pipelines.forecast.outcomes import Record
from pipelines.parts.readings import EvidenceSource, InStore, Loaded
from pipelines.parts.runs import forecasts_in_parts, record_in_parts
from pipelines.parts.work import InThisProcess, Plan, Runner
from pipelines.settings import Settings
from pipelines.store.fleet import MOST_HERE, Fleet, read_fleet
from pipelines.store.folder import Store


def plan_of(
    store: Store, fleet: Fleet, *, known_at: datetime | None, settings: Settings, elsewhere: bool
) -> Plan:  # fmt: skip
    """What is to be done; readings are not held here where they are many, or others work on the parts.

    Args:
        store: Where whoever works on a part finds its readings.
        fleet: As it was read of it.
        known_at: As of when.
        settings: The user's settings.
        elsewhere: Whether others work on the parts.
    """
    evidence = fleet.evidence
    source: EvidenceSource = Loaded(evidence=evidence)
    if elsewhere or not fleet.is_here:
        source = InStore(path=store.path.absolute(), as_of=evidence.as_of, known_at=known_at, judged=fleet.judged)
    return Plan.of(evidence, fleet.shown, source, settings=settings)


def past_in_parts(
    store: Store, settings: Settings, *, as_known: bool, runner: Runner, most_here: int = MOST_HERE
) -> tuple[Callable[[Sequence[datetime]], Iterator[Made | None]], Callable[[], Record], datetime]:
    """What `backtest.scored` needs of a store: forecasts as of dates, what came after, and the newest reading.

    Args:
        store: Where from.
        settings: The user's settings.
        as_known: Whether rows loaded after a date stay out too.
        runner: Who works on the parts, of so many dates side by side as it has hands.
        most_here: As for `read_fleet`.
    """
    elsewhere = not isinstance(runner, InThisProcess)
    now = read_fleet(store, most_here=most_here)

    def begun(date: datetime) -> Callable[[], Made | None]:
        known_at = date if as_known else None
        then = read_fleet(store, as_of=date, known_at=known_at, most_here=most_here)
        if not then.shown.readings:
            return lambda: None
        plan = plan_of(store, then, known_at=known_at, settings=settings, elsewhere=elsewhere)
        return forecasts_in_parts(plan, runner)

    def made_at(dates: Sequence[datetime]) -> Iterator[Made | None]:
        under_way = deque[Callable[[], Made | None]]()
        for date in dates:
            under_way.append(begun(date))
            if len(under_way) >= runner.hands:
                yield under_way.popleft()()
        while under_way:
            yield under_way.popleft()()

    def record() -> Record:
        return record_in_parts(plan_of(store, now, known_at=None, settings=settings, elsewhere=elsewhere), runner)

    return made_at, record, now.evidence.as_of
