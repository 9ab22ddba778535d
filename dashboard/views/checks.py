"""What to check next on a vehicle, and what a result changes that was just entered: frames in, words and rows out."""

from collections.abc import Collection
from dataclasses import dataclass

import polars as pl

from dashboard.views.notes import LONGEST_NAME
from pipelines.causes.check_results import known_results
from pipelines.causes.knowledge import checks
from pipelines.causes.next_check import after_results, next_checks
from pipelines.entries.entry import Entry

MOST = 30  # checks whose result can be entered


@dataclass(frozen=True, kw_only=True)
class Offered:
    """A check that is worth doing, with what may come out."""

    check_id: str
    title: str
    minutes: float
    settles: float
    results: dict[str, str]


@dataclass(frozen=True, kw_only=True)
class ChecksNow:
    """The causes of one vehicle with all results that were entered, and what to check next.

    ranking: Its rows of `cause_ranking`, anew where a result came since the analysis. changed: whether one did.
    offered: The checks, the one that settles most a minute first. found: What checks found, in words.
    """

    ranking: pl.DataFrame
    changed: bool
    offered: list[Offered]
    found: list[str]


def checks_now(
    vehicle_id: str, cause_ranking: pl.DataFrame, entries: pl.DataFrame, counted: Collection[str]
) -> ChecksNow:
    """What is known of a vehicle's causes now.

    Args:
        vehicle_id: The fleet number.
        cause_ranking: Published table.
        entries: Those that count now.
        counted: entry_ids that the published table has looked at.
    """
    mine = cause_ranking.filter(pl.col("vehicle_id") == vehicle_id).sort("rank", "cause")
    entered = entries.filter(pl.col("kind") == "check", pl.col("vehicle_id") == vehicle_id)
    then = dict(_results(entered.filter(pl.col("entry_id").is_in(list(counted)))))
    done = dict(_results(entered))
    came = [(check, result) for check, result in done.items() if then.get(check) != result]
    taken_back = [(check, then[check]) for check, _ in came if check in then]
    ranking = after_results(mine, came, instead_of=taken_back) if came and mine.height else mine
    rows = next_checks(ranking, {vehicle_id: list(done.items())}, most=MOST).to_dicts()
    return ChecksNow(
        ranking=ranking,
        changed=bool(came),
        offered=[
            Offered(
                check_id=row["check_id"],
                title=row["title"],
                minutes=row["minutes"],
                settles=row["settles"],
                results=dict(checks()[row["check_id"]].results),
            )
            for row in rows
        ],
        found=[f"{checks()[check].title}: {checks()[check].results[result]}" for check, result in done.items()],
    )


def _results(entered: pl.DataFrame) -> list[tuple[str, str]]:
    return [(check, result) for _, check, result in known_results(entered).iter_rows()]


@dataclass(frozen=True, kw_only=True)
class Result:
    """The result of a check as it is picked in the form.

    Attributes:
        vehicle_id: Whose.
        check_id: Which check.
        result: Id of what came out; empty: not picked.
        name: Of the one who looked.
        client_key: Under which it is entered once, however often it is sent.
    """

    vehicle_id: str
    check_id: str
    result: str
    name: str
    client_key: str

    @property
    def problem(self) -> str:
        """What is still to be picked; empty: nothing."""
        if not self.result:
            return "Pick what the check found."
        if not self.name.strip():
            return "Say who looked: pick your name, or type it."
        return "" if len(self.name.strip()) <= LONGEST_NAME else "Your name is too long: shorten it."

    def entry(self, who: str) -> Entry:
        """The entry that it becomes."""
        return Entry(
            kind="check",
            who=who,
            vehicle_id=self.vehicle_id,
            subject=self.check_id,
            value=self.result,
            client_key=self.client_key,
        )
