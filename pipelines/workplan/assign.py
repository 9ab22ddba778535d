"""The days of the jobs at least expected cost: mixed-integer programming over depot and day. Plain data in and out."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from pipelines.threads import in_threads

# Share of the saving that the solver may leave unproven; of many options 1.5 %, half a per cent under what the plan
# promises, since a root node gets there in a second or two and the next half per cent takes minutes (plan_speed.py).
GAP, GAP_OF_MANY = 1e-3, 1.5e-2
MANY = 1000  # options, from which on a node of the search takes seconds
# Nodes times options of the search: a limit in work, not seconds, gives the same plan on every machine. Of many options
# the root alone; what it leaves over is tried day by day by whoever packs.
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


@dataclass(frozen=True, kw_only=True)
class Choice:
    """The chosen options by job, and the most that any choice could save: jobs may be split among days in it."""

    options: list[Option]
    bound: float


def choose(options: Sequence[Option], *, capacity: Mapping[tuple[int, int], float], stock: Mapping[str, int]) -> Choice:
    """The options that together save most: at most one per job, within the bays' hours and the parts on hand.

    Depots that share no scarce part are solved by themselves.

    Args:
        options: What may be done when.
        capacity: Hours that may be filled, by depot and open day.
        stock: Parts on hand, by component.

    Returns:
        The same for the same input (the solver runs on one thread, and its limit is work, not time).
    """
    gainful = [option for option in options if option.saving > 0]
    if not gainful:
        return Choice(options=[], bound=0.0)
    programme = _Programme()
    wanted = _jobs_by_part(gainful)
    for column, option in enumerate(gainful):
        programme.add(("job", option.job), column, 1.0, 1.0)
        for offset, hours in enumerate(option.hours):
            slot = (option.depot, option.day + offset)
            programme.add(("slot", *slot), column, hours, capacity[slot])
        if option.from_stock and stock.get(option.part, 0) < wanted[option.part]:
            programme.add(("part", option.part), column, 1.0, float(stock.get(option.part, 0)))
    matrix, most = programme.matrix(len(gainful)), programme.limits()
    saving = np.array([option.saving for option in gainful])
    solved = in_threads(lambda part: _solve(saving, matrix, most, part), _independent(matrix))
    taken = sorted(int(column) for columns, _ in solved for column in columns)
    return Choice(
        options=sorted((gainful[column] for column in taken), key=lambda option: option.job),
        bound=sum(bound for _, bound in solved),
    )


def _jobs_by_part(options: Sequence[Option]) -> dict[str, int]:
    """Of each part, how many jobs may ask for one from stock."""
    jobs: dict[str, set[int]] = defaultdict(set)
    for option in options:
        if option.from_stock:
            jobs[option.part].add(option.job)
    return {part: len(asking) for part, asking in jobs.items()}


def _independent(matrix: csr_array) -> list[np.ndarray]:
    """Columns of the programme in groups that share no row."""
    groups, group = connected_components(matrix.T @ matrix, directed=False)
    return [np.flatnonzero(group == number) for number in range(groups)]


def _solve(saving: np.ndarray, matrix: csr_array, most: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, float]:
    """The chosen ones of some columns, and the most that they could save."""
    part = matrix[:, columns]
    rows = np.flatnonzero(np.diff(part.indptr))
    part, limit, gain = part[rows], most[rows], saving[columns]
    many = len(columns) >= MANY
    result = milp(
        -gain,
        integrality=np.ones(len(columns)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(part, -np.inf, limit),
        options={
            "mip_rel_gap": GAP_OF_MANY if many else GAP,
            "node_limit": 1 if many else max(MOST_WORK // len(columns), 1),
        },
    )
    if result.x is None:
        relaxed = linprog(-gain, A_ub=part, b_ub=limit, bounds=(0, 1), method="highs")
        return columns[:0], -float(relaxed.fun)
    return columns[result.x > 0.5], max(-float(result.mip_dual_bound), -float(result.fun))


@dataclass
class _Programme:
    """Rows `sum of coefficients <= most`, by name."""

    entries: dict[tuple[object, ...], list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))
    most: dict[tuple[object, ...], float] = field(default_factory=dict)

    def add(self, name: tuple[object, ...], column: int, coefficient: float, most: float) -> None:
        self.entries[name].append((column, coefficient))
        self.most[name] = most

    def limits(self) -> np.ndarray:
        """Of each row the most that it may sum to."""
        return np.array([self.most[name] for name in self.entries])

    def matrix(self, columns: int) -> csr_array:
        """Rows by columns."""
        row = np.repeat(np.arange(len(self.entries)), [len(entry) for entry in self.entries.values()])
        cells = [cell for entry in self.entries.values() for cell in entry]
        values = ([value for _, value in cells], (row, [column for column, _ in cells]))
        return coo_array(values, shape=(len(self.entries), columns)).tocsr()
