"""Jobs of known days packed into bays with start times: first fit, longest first. No cost here but the order."""

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
    """The bays of one depot on its open days, filled from the morning on."""

    def __init__(self, *, bays: int, hours: float, days: int, reserved: dict[int, float]) -> None:
        """Empty bays; `reserved` hours of a day are taken off the ends of the last bays.

        Args:
            bays: How many.
            hours: Length of a day, h.
            days: Open days.
            reserved: Hours by open day that routine work takes.
        """
        self.free_from = [[0.0] * bays for _ in range(days)]
        self.ends = [[hours] * bays for _ in range(days)]
        for day, taken in reserved.items():
            left = taken
            for bay in reversed(range(bays)):
                cut = min(left, hours)
                self.ends[day][bay] -= cut
                left -= cut

    def place(self, option: Option, *, earliest: float, latest: float) -> Placed | None:
        """Put a job into the first bay where it fits between `earliest` and `latest`; None: it fits nowhere.

        Args:
            option: The job on its day; over several days it takes the same bay from the morning on.
            earliest: When the vehicle can be had, hours after opening of the first day.
            latest: When it must be back, hours after opening of the last day.
        """
        last = len(option.hours) - 1
        for bay in range(len(self.free_from[option.day])):
            start = max(self.free_from[option.day][bay], earliest)
            for offset, hours in enumerate(option.hours):
                begin = start if offset == 0 else self.free_from[option.day + offset][bay]
                end = self.ends[option.day + offset][bay]
                if offset == last:
                    end = min(end, latest)
                if begin + hours > end + EPS or (offset > 0 and begin > 0):
                    break
            else:
                for offset, hours in enumerate(option.hours):
                    self.free_from[option.day + offset][bay] = (start if offset == 0 else 0.0) + hours
                return Placed(option=option, bay=bay + 1, start=start)
        return None
