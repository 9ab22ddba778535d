"""Jobs of known days packed into bays with start times: the first gap that is wide enough. No cost here."""

from dataclasses import dataclass

from pipelines.workplan.assign import Option

EPS = 1e-9


@dataclass(frozen=True, kw_only=True)
class Placed:
    """One job in a bay: start in hours after the bays open on its day."""

    option: Option
    bay: int  # from 1
    start: float


class Bays:
    """The bays of one depot on its open days, with the spans of hours that are taken."""

    def __init__(self, *, bays: int, hours: float, days: int) -> None:
        """Empty bays.

        Args:
            bays: How many.
            hours: Length of a day, h.
            days: Open days.
        """
        self.hours = hours
        self.taken: list[list[list[tuple[float, float]]]] = [[[] for _ in range(bays)] for _ in range(days)]

    def free(self, day: int) -> float:
        """Hours of all bays that nothing takes on an open day."""
        return sum(self.hours - sum(end - begin for begin, end in spans) for spans in self.taken[day])

    def reserve(self, day: int, hours: float) -> None:
        """Take hours off what is free at the ends of a day, the last bay first: routine work of other vehicles."""
        left = hours
        for spans in reversed(self.taken[day]):
            free_from = max((end for _, end in spans), default=0.0)
            cut = min(left, self.hours - free_from)
            if cut > EPS:
                spans.append((self.hours - cut, self.hours))
                left -= cut

    def place(
        self, option: Option, *, earliest: float, latest: float, wish: tuple[int, float] | None = None
    ) -> Placed | None:
        """Put a job into the first gap between `earliest` and `latest` that is wide enough; None: there is none.

        Args:
            option: The job on its day; over several days it takes the same bay, on the later ones from the morning on.
            earliest: When the vehicle can be had, hours after opening of the first day.
            latest: When it must be back, hours after opening of the last day.
            wish: Bay and start that it had before, tried first.
        """
        if wish is not None and wish[0] <= len(self.taken[option.day]) and wish[1] >= earliest - EPS:
            found = self._in_bay(option, wish[0] - 1, earliest=wish[1], latest=latest, only_then=True)
            if found is not None:
                return found
        for bay in range(len(self.taken[option.day])):
            found = self._in_bay(option, bay, earliest=earliest, latest=latest)
            if found is not None:
                return found
        return None

    def _in_bay(
        self, option: Option, bay: int, *, earliest: float, latest: float, only_then: bool = False
    ) -> Placed | None:
        several = len(option.hours) > 1
        end_of_first = self.hours if several else min(self.hours, latest)
        starts = [earliest, *(end for _, end in sorted(self.taken[option.day][bay]) if end > earliest)]
        for start in starts[:1] if only_then else starts:
            spans = [
                (option.day + offset, start if offset == 0 else 0.0, hours) for offset, hours in enumerate(option.hours)
            ]
            fits = all(self._is_free(day, bay, begin, begin + hours) for day, begin, hours in spans)
            back = not several or option.hours[-1] <= latest + EPS
            if fits and back and start + option.hours[0] <= end_of_first + EPS:
                for day, begin, hours in spans:
                    self.taken[day][bay].append((begin, begin + hours))
                return Placed(option=option, bay=bay + 1, start=start)
        return None

    def _is_free(self, day: int, bay: int, begin: float, end: float) -> bool:
        return end <= self.hours + EPS and all(
            end <= taken + EPS or begin >= until - EPS for taken, until in self.taken[day][bay]
        )
