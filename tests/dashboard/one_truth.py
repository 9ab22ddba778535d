"""Rules by which pages, papers and the digest must agree on every vehicle, in words; a store in, contradictions out.

`python tests/dashboard/one_truth.py STORE` walks any store and prints what contradicts what.
"""

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import polars as pl

from dashboard.palette import URGENCY
from dashboard.views import vehicle as views
from dashboard.views.explained import leading_words, moved_by_causes
from dashboard.views.joined import Choice
from dashboard.views.plan import PlanView, plan
from dashboard.views.record import standing_codes
from dashboard.views.today import NONE_KNOWN, FleetTables, today
from dashboard.views.vehicle import CauseView, ForecastView, Summary
from dashboard.views.wording import Reader, percent
from pipelines.catalogue.corrections import own_code_titles
from pipelines.causes.knowledge import causes
from pipelines.digest import Digest, digest
from pipelines.store import fleet_reads
from pipelines.store.folder import Store
from pipelines.store.published import kept_as_ofs, published_names, read_published

WEEK, WITHIN = timedelta(days=7), timedelta(days=90)
NO_FAULTS = pl.DataFrame(schema={"code": pl.String, "read_at": pl.Datetime("us", "UTC")})
NO_DECISIONS = pl.DataFrame(schema={"vehicle_id": pl.String, "decision": pl.String, "value": pl.String})


@dataclass(frozen=True, kw_only=True)
class Told:
    """What the pages say of one vehicle."""

    pages: Any  # the Pages that it is of
    vehicle_id: str
    state: dict[str, Any]  # its row of vehicle_state
    today: dict[str, Any]  # its row of Today's list
    summary: Summary
    states: pl.DataFrame
    table: pl.DataFrame  # of all its corrections, as the page has it
    causes: list[CauseView]
    forecast: ForecastView
    codes: list[str]
    visit: dict[str, Any] | None
    waits: dict[str, Any] | None  # its row of those without a visit

    @property
    def strays(self) -> bool:
        return self.states["state"].is_in(["drifting", "outside"]).any()

    @property
    def words(self) -> str:
        return " ".join(self.summary.sentences).replace("\N{NO-BREAK SPACE}", " ")


class Pages:
    """Everything that pages, papers and the digest say of a store's newest analysis."""

    def __init__(
        self, tables: dict[str, pl.DataFrame], *, vehicles: pl.DataFrame, corrections: pl.DataFrame,
        families: pl.DataFrame, at: datetime,
    ):  # fmt: skip
        self.tables, self.vehicles, self.corrections, self.families = tables, vehicles, corrections, families
        self.reader = Reader(as_of=at)
        self._moved: dict[str, dict[str, frozenset[str]]] = {}

    @classmethod
    def of(cls, store: Store) -> "Pages":
        at = max(kept_as_ofs(store, "vehicle_state"))
        names = [name for name in published_names(store) if at in kept_as_ofs(store, name)]
        tables = {name: read_published(store, name, as_of=at).drop("as_of") for name in names}
        drops = {name: fleet_reads.fleet_table(store, name) for name in ("vehicles", "families")}
        return cls(tables, **drops, corrections=fleet_reads.known_corrections(store), at=at)

    @cached_property
    def today(self) -> pl.DataFrame:
        words = {name: cause.title for name, cause in causes().items()}
        names = ("vehicle_state", "correction_state", "fault_forecast", "cause_ranking")
        fleet = FleetTables(
            **{name: self.tables[name] for name in names}, vehicles=self.vehicles, corrections=self.corrections,
            cause_titles=words,
        )  # fmt: skip
        return today(fleet, choice=Choice(), reader=self.reader, false_alarms_per_vehicle_year=None).rows

    def moved_by_causes(self, family: str) -> dict[str, frozenset[str]]:
        if family not in self._moved:
            self._moved[family] = moved_by_causes(family, self.corrections, self.families)
        return self._moved[family]

    @cached_property
    def digest(self) -> Digest:
        return digest({**self.tables, "catalogue": self.corrections}, {}, as_of=self.reader.as_of, since=None)

    @cached_property
    def plan(self) -> PlanView | None:
        if "work_plan" not in self.tables:
            return None
        return plan(
            self.tables["work_plan"], planned=True, left_out=self.tables["plan_left_out"], decided=NO_DECISIONS,
            vehicle_state=self.tables["vehicle_state"], depots=[], reader=self.reader,
        )  # fmt: skip

    def told(self) -> Iterable[Told]:
        """What is said of each vehicle, in the order of Today's list."""
        rows = {row["vehicle_id"]: row for row in self.tables["vehicle_state"].to_dicts()}
        events = self.tables.get("fault_event", pl.DataFrame(schema={"vehicle_id": pl.String}))
        for row in self.today.to_dicts():
            vehicle = row["vehicle_id"]
            states = views.states_of(vehicle, self.tables["correction_state"], self.corrections)
            likely = views.causes_of(vehicle, self.tables["cause_ranking"], causes())
            mine = events.filter(pl.col("vehicle_id") == vehicle)
            own = own_code_titles(self.corrections)
            codes = standing_codes(mine, NO_FAULTS, own, self.reader)["code"].unique().to_list() if mine.height else []
            yield Told(
                pages=self,
                vehicle_id=vehicle,
                state=rows[vehicle],
                today=row,
                summary=views.summary(
                    vehicle, vehicle_state=self.tables["vehicle_state"], states=states, vehicle={}, reader=self.reader,
                    causes=likely,
                ),
                states=states,
                table=views.states_table(states, self.reader),
                causes=likely,
                forecast=views.forecast(vehicle, self.tables["fault_forecast"], codes),
                codes=codes,
                visit=self._of_plan("rows", vehicle),
                waits=self._of_plan("waiting", vehicle),
            )  # fmt: skip

    def _of_plan(self, part: str, vehicle: str) -> dict[str, Any] | None:
        rows = [] if self.plan is None else getattr(self.plan, part).filter(pl.col("vehicle_id") == vehicle).to_dicts()
        return rows[0] if rows else None


Rule = Callable[[Told], bool]
RULES: dict[str, Rule] = {}


def rule(words: str) -> Callable[[Rule], Rule]:
    """A rule under the words that say what must hold; the function: whether it does."""

    def named(holds: Rule) -> Rule:
        RULES[words] = holds
        return holds

    return named


def contradictions(pages: Pages) -> list[str]:
    """A line for each vehicle and rule that does not hold."""
    return [
        f"{told.vehicle_id}: broken is '{words}'"
        for told in pages.told()
        for words, holds in RULES.items()
        if not holds(told)
    ]


@rule("'nothing strays' is never said beside a named cause that is likelier than not")
def _(told: Told) -> bool:
    return "Nothing strays" not in told.words or views.stands_out(told.causes) is None


@rule("'nothing strays' is said of no vehicle that has a straying correction")
def _(told: Told) -> bool:
    return "Nothing strays" not in told.words or not told.strays


@rule("a correction is called outside if and only if its reading or level is outside the band beside it")
def _(told: Told) -> bool:
    for row, shown in zip(told.states.to_dicts(), told.table.to_dicts(), strict=True):
        if None in (row["value"], row["band_low"], row["band_high"], row["expected"]):
            continue
        level = row["expected"] + (row["deviation"] or 0.0)
        inside = [row["band_low"] <= at <= row["band_high"] for at in (row["value"], level)]
        if row["state"] == "outside" and all(inside):
            return False
        if row["state"] == "steady" and not inside[0] and "newest reading off" not in shown["state"]:
            return False
    return True


@rule("the state on Today is the worst of the corrections on its page")
def _(told: Told) -> bool:
    return (told.state["state"] in ("drifting", "outside")) == told.strays


@rule("the first sentence about a straying vehicle is of its leading correction, which Today names too")
def _(told: Told) -> bool:
    if not told.strays:
        return True
    first = told.states.row(0, named=True)
    return told.state["leading_correction"] == told.today["correction"] == told.summary.leading == first["correction"]


@rule("leeway is the same on Today and on its page")
def _(told: Told) -> bool:
    shown = told.today["leeway_pct"]
    return told.summary.facts["Leeway left"].startswith("not known" if shown is None else f"{shown:.0f} %")


@rule("the cause on Today is the first on its page, at the same chance")
def _(told: Told) -> bool:
    if told.today["cause"] is None:
        return views.stands_out(told.causes) is None
    first = told.causes[0]
    return (told.today["cause"], told.today["cause_probability"]) == (first.name, first.probability)


@rule("the first cause explains the leading correction, or what is said of it names that correction as unexplained")
def _(told: Told) -> bool:
    if not told.strays or not told.causes or told.causes[0].name == NONE_KNOWN:
        return True
    lead, family = told.states.row(0, named=True), told.today["engine_family"] or ""
    linked = leading_words(lead, told.causes[0], told.pages.moved_by_causes(family))
    return bool(linked) or lead["title"] in told.causes[0].evidence


@rule("chances on Today are those on its page, and grow with the horizon")
def _(told: Told) -> bool:
    shown = [told.today[f"chance_{days}"] for days in (7, 30, 90)]
    known = [chance for chance in shown if chance is not None]
    return known == sorted(known) and known == told.forecast.rows["probability"].to_list()


@rule("a limit that is met within 90 days as likely as not has a chance to match, or the basis says why not")
def _(told: Told) -> bool:
    soon = told.states.filter(pl.col("limit_at_p50") <= told.pages.reader.as_of + WITHIN)
    chance = told.today["chance_90"]
    return soon.is_empty() or chance is None or chance >= 0.5 or "yet the chance is lower" in told.forecast.basis


@rule("a chance above even without a limit ahead says what it rests on")
def _(told: Told) -> bool:
    soon = told.states.filter(pl.col("limit_at_p50") <= told.pages.reader.as_of + WITHIN)
    chance = told.today["chance_90"]
    return soon.height > 0 or chance is None or chance < 0.5 or "no limit is expected" in told.forecast.basis


@rule("beside a standing code chances say that they are of another one")
def _(told: Told) -> bool:
    said = told.forecast.sentences
    return not told.codes or not said or ("already: these are chances of another" in said[0])


@rule("the soonest, likely and latest date of a limit come in that order")
def _(told: Told) -> bool:
    for row in told.states.to_dicts():
        dates = [row[f"limit_at_p{share}"] for share in (10, 50, 90) if row[f"limit_at_p{share}"] is not None]
        if dates != sorted(dates):
            return False
    return True


@rule("a straying correction whose leeway is used up is said to be at its limit")
def _(told: Told) -> bool:
    row = told.states.row(0, named=True)
    used = told.strays and row["leeway_pct"] is not None and row["leeway_pct"] < 0.5
    return not used or "at its limit now" in told.words or "is coming back" in told.words


@rule("where the memory was not read, open codes are not known anywhere, not none")
def _(told: Told) -> bool:
    if told.state["open_faults"] is not None:
        return told.summary.facts["Open fault codes"] == str(told.state["open_faults"])
    unsaid = told.today["open_faults"] is None and "stand in its memory" not in told.words
    return unsaid and told.summary.facts["Open fault codes"] == "memory not read"


@rule("open codes are counted as those that stand by name")
def _(told: Told) -> bool:
    return told.state["open_faults"] is None or told.state["open_faults"] == len(told.codes)


@rule("urgency is called the same everywhere")
def _(told: Told) -> bool:
    label = URGENCY[told.state["urgency"]].label
    waits = told.waits is None or told.waits["urgency"] == label
    return told.summary.urgency == told.today["urgency"] == label and waits


@rule("what is urgent says why on Today, first on its page, and in the plan")
def _(told: Told) -> bool:
    if told.state["urgency"] in ("none", "unknown"):
        return True
    why = told.pages.reader.said(told.state["urgency_reason"] or "")
    shown = told.summary.sentences[0] == why and told.today["why"] == why
    return bool(why) and shown and (told.visit is None or told.visit["reason"] is not None)


@rule("off the road is in the digest with its reason, and on nobody else")
def _(told: Told) -> bool:
    lines = [line for part in told.pages.digest.sections if part.title == "Must not be driven" for line in part.lines]
    mine = [line for line in lines if line.startswith(f"{told.vehicle_id}: ")]
    off = told.state["urgency"] == "off_road"
    return len(mine) == off and all((told.state["urgency_reason"] or "?") in line for line in mine)


@rule("who is due this week has a visit in time, or the plan and Today say first that it has none")
def _(told: Told) -> bool:
    if told.pages.plan is None or told.state["urgency"] not in ("off_road", "this_week"):
        return True
    due = told.pages.reader.as_of.date() + (WEEK if told.state["urgency"] == "this_week" else timedelta(0))
    in_time = told.visit is not None and told.visit["day"] is not None and told.visit["day"] <= due
    return in_time or any(line.startswith(told.vehicle_id) for line in told.pages.plan.binding)


@rule("who needs nothing has no visit of work")
def _(told: Told) -> bool:
    return told.visit is None or told.state["urgency"] != "none" or "Routine" in (told.visit["jobs"] or "")


@rule("a visit for a cause is for the one named first on its page")
def _(told: Told) -> bool:
    reason = "" if told.visit is None else told.visit["reason"] or ""
    if "Likely " not in reason or not told.causes:
        return True
    first = told.causes[0]
    return (
        first.name.split(":")[0].split(",")[0].casefold() in reason.casefold()
        and percent(first.probability).replace("\N{NO-BREAK SPACE}", " ") in reason
    )


@rule("the vehicle opened by default is the first of Today")
def _(told: Told) -> bool:
    return told.pages.today["vehicle_id"].to_list() == views.by_urgency(
        told.pages.tables["vehicle_state"],
        told.pages.tables["fault_forecast"],
        told.pages.tables["correction_state"],
        told.pages.corrections,
    )


@rule("the digest's alarms are corrections that stray on their vehicle's page")
def _(told: Told) -> bool:
    lines = [line for part in told.pages.digest.sections if part.title == "New alarms" for line in part.lines]
    mine = [line for line in lines if line.startswith(f"{told.vehicle_id}: ")]
    return bool(mine) == bool(told.states["alarm"].any())


def main() -> None:
    """Walk the store that is named."""
    pages = Pages.of(Store(sys.argv[1]))
    broken = contradictions(pages)
    print(*broken, sep="\n")  # noqa: T201
    print(f"{pages.today.height} vehicles, {len(RULES)} rules, {len(broken)} contradictions")  # noqa: T201


if __name__ == "__main__":
    main()
