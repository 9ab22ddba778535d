"""The days of the jobs at least expected cost: mixed-integer programming over depot and day. Plain data in and out."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

GAP, GAP_OF_MANY = 1e-3, 1e-2  # share of the saving that the solver may leave unproven; of many options
MANY = 1000  # options, from which on a node of the search takes seconds
# Nodes times options of the search: a limit in work, not seconds, gives the same plan on every machine. The root alone
# places 292 of 300 jobs at 86 % load (tests/benchmarks/plan_speed.py); what is left is tried day by day.
MOST_WORK = 100_000


@dataclass(frozen=True, kw_only=True)
class Option:
    """One job on one start day: what it saves against waiting, and the bay hours it takes."""

    job: int
    depot: int
    day: int  # index into the depot's open days
    saving: float  # expected, against not doing it in the plan; only what is above zero is worth doing
    hours: tuple[float, ...]  # on this open day and the ones after it
    part: str  # component
    from_stock: bool  # the part cannot have arrived by then


def choose(options: Sequence[Option], *, capacity: dict[tuple[int, int], float], stock: dict[str, int]) -> list[Option]:
    """The options that together save most: at most one per job, within the bays' hours and the parts on hand.

    Args:
        options: What may be done when.
        capacity: Hours that may be filled, by depot and open day.
        stock: Parts on hand, by component.

    Returns:
        The chosen options, by job; the same for the same input (the solver runs on one thread).
    """
    worth = [option for option in options if option.saving > 0]
    if not worth:
        return []
    rows = _Rows()
    for column, option in enumerate(worth):
        rows.add(("job", option.job), column, 1.0, 1.0)
        for offset, hours in enumerate(option.hours):
            slot = (option.depot, option.day + offset)
            rows.add(("slot", *slot), column, hours, capacity[slot])
        if option.from_stock:
            rows.add(("part", option.part), column, 1.0, float(stock.get(option.part, 0)))
    saving = np.array([option.saving for option in worth])
    result = milp(
        -saving,
        integrality=np.ones(len(worth)),
        bounds=Bounds(0, 1),
        constraints=rows.constraint(len(worth)),
        options={
            "mip_rel_gap": GAP if len(worth) < MANY else GAP_OF_MANY,
            "node_limit": max(MOST_WORK // len(worth), 1) if len(worth) < MANY else 1,
        },
    )
    if result.x is None:
        return []
    return sorted((worth[i] for i in np.flatnonzero(result.x > 0.5)), key=lambda option: option.job)


@dataclass
class _Rows:
    """Rows `sum of coefficients <= most` of the programme, by name."""

    entries: dict[tuple[object, ...], list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))
    most: dict[tuple[object, ...], float] = field(default_factory=dict)

    def add(self, name: tuple[object, ...], column: int, coefficient: float, most: float) -> None:
        self.entries[name].append((column, coefficient))
        self.most[name] = most

    def constraint(self, columns: int) -> LinearConstraint:
        row = np.repeat(np.arange(len(self.entries)), [len(entry) for entry in self.entries.values()])
        flat = [cell for entry in self.entries.values() for cell in entry]
        matrix = coo_array(
            ([value for _, value in flat], (row, [column for column, _ in flat])), shape=(len(self.entries), columns)
        )
        return LinearConstraint(matrix.tocsr(), -np.inf, np.array([self.most[name] for name in self.entries]))
