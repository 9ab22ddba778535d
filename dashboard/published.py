"""What was published of the whole fleet, and the cache for all that is read, by the store's version; frames, no words.

A cached frame belongs to one committed version of the store, so a new load or analysis is seen by the next rerun and
nothing is read twice. Connections are never kept.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import polars as pl
import streamlit as st

from dashboard import signed_in
from dashboard.views.factors import places_of
from dashboard.views.joined import bare_title
from dashboard.views.peers import PeersTables
from dashboard.views.today import FleetTables
from dashboard.views.trust import unchecked_warning
from dashboard.views.vehicle import by_urgency as by_urgency_of
from dashboard.views.withheld import as_it_stands
from pipelines.catalogue.tables import published_tables
from pipelines.causes.knowledge import Cause, causes
from pipelines.digest import READ, Digest, digest
from pipelines.planning import newest_papers, plan_newest
from pipelines.store import fleet_reads
from pipelines.store import published as stored
from pipelines.store.folder import Store
from pipelines.store.scoped import store_seen_by

if TYPE_CHECKING:
    from pipelines.causes.visitor import Visitor

NEARLY = timedelta(days=1)  # by which an analysis may be younger than it is asked to be
Built = TypeVar("Built")


def store() -> Store:
    """The store that this dashboard shows, as its reader may see it."""
    return _seen_by(signed_in.place(), signed_in.person().depots)


@cache
def _seen_by(place: Path, depots: frozenset[str] | None) -> Store:
    return store_seen_by(place, depots)


def away() -> str:
    """Why another state is shown than the newest one, as sentences; empty: it is the newest."""
    return store().away()


@st.cache_resource(max_entries=300, show_spinner=False)
def _kept(key: tuple[Any, ...], _build: Callable[[], Any]) -> Any:  # noqa: ARG001 - the key is hashed, not read
    return _build()


@st.cache_resource(max_entries=40, show_spinner=False)
def _kept_frames(key: tuple[Any, ...], _build: Callable[[], Any]) -> Any:  # noqa: ARG001 - the key is hashed, not read
    return _build()


@st.cache_resource(max_entries=12, show_spinner=False)
def _kept_few(key: tuple[Any, ...], _build: Callable[[], Any]) -> Any:  # noqa: ARG001 - the key is hashed, not read
    return _build()


def kept(name: str, *selection: object, build: Callable[[], Built]) -> Built:
    """What `build` gives, built once for each selection while the store stays as it is.

    Args:
        name: What is built; two different things need two names.
        selection: Everything the result depends on beside the store.
        build: Called when it is not there yet; what it returns is shared and must not be changed.
    """
    built: Built = _kept(_key(name, *selection), build)
    return built


def kept_frame(name: str, *selection: object, build: Callable[[], pl.DataFrame]) -> pl.DataFrame:
    """The same for frames of the whole fleet, of which fewer are kept: one can be a hundred megabytes."""
    frame: pl.DataFrame = _kept_frames(_key(name, *selection), build)
    return frame


def kept_few(name: str, *selection: object, build: Callable[[], Built]) -> Built:
    """The same as `kept` for what one correction of the whole fleet takes: tens of megabytes, and there are many."""
    built: Built = _kept_few(_key(name, *selection), build)
    return built


def _key(*selection: object) -> tuple[object, ...]:
    place = store()
    return (str(place.path), place.depots, place.version(), *map(repr, selection))


def kept_as_ofs() -> list[datetime]:
    """Times of the published states that are kept, newest first; empty: nothing was analysed, or there is no store."""
    return _as_ofs("vehicle_state") if store().exists() else []


def _as_ofs(name: str) -> list[datetime]:
    return kept("as_ofs", name, build=lambda: sorted(stored.kept_as_ofs(store(), name), reverse=True))


def was_published(name: str, as_of: datetime) -> bool:
    """Whether one table was published for that state, be it without rows."""
    return as_of in _as_ofs(name)


def table(name: str, as_of: datetime) -> pl.DataFrame:
    """One published table at one as_of, without that column.

    Where it was not published then: the contract's table without rows, or a frame without columns for one beyond it.
    """

    def build() -> pl.DataFrame:
        if not was_published(name, as_of):
            contract = published_tables().get(name)
            return pl.DataFrame() if contract is None else contract.empty()
        return stored.read_published(store(), name, as_of=as_of).drop("as_of")

    return kept_frame("table", name, as_of, build=build)


def rows_of(name: str, as_of: datetime, **where: str) -> pl.DataFrame:
    """The rows of one published table in which these columns hold these texts; otherwise as `table`.

    A page that shows one vehicle or one correction asks so: a table of all can be a hundred megabytes.
    """

    def build() -> pl.DataFrame:
        if not was_published(name, as_of):
            return table(name, as_of)
        return stored.read_published(store(), name, as_of=as_of, where=where).drop("as_of")

    return kept("rows", name, as_of, sorted(where.items()), build=build)


def astray_by_correction(as_of: datetime) -> pl.DataFrame:
    """How many vehicles stray in each correction that was read: `correction, astray, vehicles, median_z`, by code."""
    return kept("astray", as_of, build=lambda: stored.astray_by_correction(store(), as_of))


def states_of_correction(code: str, as_of: datetime) -> pl.DataFrame:
    """What `correction_state` says of one correction of the fleet."""
    return kept_few(
        "states of",
        code,
        as_of,
        build=lambda: stored.read_published(store(), "correction_state", as_of=as_of, where={"correction": code}).drop(
            "as_of"
        ),
    )


def states_that_count(as_of: datetime) -> pl.DataFrame:
    """The rows of `correction_state` that pages of the whole fleet speak of: `stored.states_that_count`."""

    def build() -> pl.DataFrame:
        if not was_published("correction_state", as_of):
            return table("correction_state", as_of)
        sides = pl.concat_str(pl.col("fault_low", "fault_high").fill_null(""))
        return stored.states_that_count(store(), as_of, corrections().filter(sides != "")["code"].to_list())

    return kept_frame("states that count", as_of, build=build)


def newest_table(name: str) -> pl.DataFrame:
    """The newest state of one table, whichever as_of that is; without rows where it was never published."""
    states = _as_ofs(name) if store().exists() else []
    return table(name, states[0] if states else datetime.min)  # noqa: DTZ901 - a time that no state has


def vehicles() -> pl.DataFrame:
    """The fleet's vehicles, as the drop table has them."""
    return kept_frame("vehicles", build=lambda: fleet_reads.fleet_table(store(), "vehicles"))


def families() -> pl.DataFrame:
    """The engine families, as the drop table has them."""
    return kept_frame("families", build=lambda: fleet_reads.fleet_table(store(), "families"))


def places(as_of: datetime) -> pl.DataFrame:
    """Each vehicle's place in every factor by which groups are made."""
    return kept_frame("places", as_of, build=lambda: places_of(vehicles(), families(), as_of))


def work() -> pl.DataFrame:
    """All work on record, as the drop table has it."""
    return kept_frame("work", build=lambda: fleet_reads.fleet_table(store(), "work"))


def moves() -> pl.DataFrame:
    """Since when vehicles are at which depot: `vehicle_id, since, depot`; only of those that had more than one."""
    return kept_frame("moves", build=lambda: fleet_reads.fleet_moves(store()))


def corrections() -> pl.DataFrame:
    """The catalogue: built-in rows and the fleet's own."""
    return kept_frame("corrections", build=lambda: fleet_reads.known_corrections(store()))


def correction(code: str) -> dict[str, Any]:
    """The catalogue's row of one correction."""
    return corrections().row(by_predicate=pl.col("code") == code, named=True)


def correction_values(code: str, as_of: datetime) -> pl.DataFrame:
    """Readings of one correction in the fleet that stood then: `vehicle_id` (Enum), `read_at, value, calibration`.

    Those of few corrections are kept: of 10,000 vehicles over two years they take 20 MB each.
    """
    cells = table("held_cell", as_of)
    return kept_few(
        "values",
        code,
        as_of,
        build=lambda: as_it_stands(fleet_reads.correction_of_fleet(store(), code), cells, code),
    )


def what_is_usual(family: str, as_of: datetime) -> pl.DataFrame:
    """What vehicles of a family should read now, and how far healthy ones differ: `family_now`."""
    from pipelines.causes.visitor import family_now  # noqa: PLC0415 - compiled kernels, which one page needs

    def build() -> pl.DataFrame:
        states = stored.read_published(store(), "correction_state", as_of=as_of)  # large, and not kept
        return family_now(states, vehicles(), family)

    return kept("usual", family, as_of, build=build)


def held_against_peers(values: Mapping[str, float], codes: Sequence[str], family: str, as_of: datetime) -> "Visitor":
    """One reading of a vehicle without a history beside its peers.

    Raises:
        LeewayError: nothing that was read can be compared.
    """
    from pipelines.causes.visitor import Fleet, visitor  # noqa: PLC0415 - as above

    tables = {name: fleet_reads.fleet_table(store(), name) for name in ("families", "work")}
    fleet = Fleet(corrections=corrections(), vehicles=vehicles(), **tables)
    return visitor(values, codes, family, what_is_usual(family, as_of), fleet)


def fleet_tables(as_of: datetime) -> FleetTables:
    """The tables that the page of the whole fleet is made of."""
    return FleetTables(
        vehicle_state=table("vehicle_state", as_of),
        correction_state=states_that_count(as_of),
        fault_forecast=table("fault_forecast", as_of),
        cause_ranking=table("cause_ranking", as_of),
        vehicles=vehicles(),
        corrections=corrections(),
        cause_titles={name: cause.title for name, cause in causes().items()},
    )


def by_urgency(as_of: datetime) -> list[str]:
    """Vehicles in the order of Today's list."""

    def build() -> list[str]:
        states, forecast = table("vehicle_state", as_of), table("fault_forecast", as_of)
        return by_urgency_of(states, forecast, states_that_count(as_of), corrections())

    return kept("by urgency", as_of, build=build)


def names() -> dict[str, str]:
    """What corrections, components and causes are called, by their codes."""

    def build() -> dict[str, str]:
        components = fleet_reads.fleet_table(store(), "components")
        return {
            **dict(corrections().select("code", bare_title()).iter_rows()),
            **dict(components.select("component", pl.col("title").fill_null(pl.col("component"))).iter_rows()),
            **{name: cause.title for name, cause in causes().items()},
        }

    return kept("names", build=build)


def components() -> list[str]:
    """Parts that work can be done on, by their keys."""
    known = kept_frame("components", build=lambda: fleet_reads.fleet_table(store(), "components"))
    parts: list[str] = known.get_column("component").sort().to_list()
    return parts


def plan_again() -> None:
    """Make the plan of the newest analysis again, with what people decided since.

    Raises:
        LeewayError: it could not be written, or the reader may not.
    """
    signed_in.must("plan")
    plan_newest(Store(signed_in.place()))  # of the whole fleet, whatever the reader sees of it
    signed_in.did("planned")


def papers(*, claims_alone: bool = False) -> bytes:
    """The papers of the newest plan, or its claim packs alone, packed into one file; made when they are asked for.

    Raises:
        LeewayError: nothing is planned.
    """
    from pipelines.handouts.folder import packed_papers  # noqa: PLC0415 - a typesetter, which one button needs

    return packed_papers(newest_papers(store()), claims_alone=claims_alone)


def _told(as_of: datetime) -> dict[str, pl.DataFrame]:
    """The tables that a digest reads of one state."""
    whole = {name: table(name, as_of) for name in READ if name != "correction_state" and was_published(name, as_of)}
    alarms = {"correction_state": states_that_count(as_of)} if was_published("correction_state", as_of) else {}
    return whole | alarms


def news(as_of: datetime, *, days: int = 0) -> Digest | None:
    """What is new since an earlier analysis.

    Args:
        as_of: Time of the analysis.
        days: The newest one that is at least so old, nearly; 0: the one before, and what stands where there is none.

    Returns:
        None where `days` are asked for and no kept analysis is so old, or it is the one before.
    """
    earlier = [at for at in kept_as_ofs() if at < as_of]
    old = [at for at in earlier if at <= as_of - timedelta(days=days) + NEARLY]
    if days and (not old or old[0] == earlier[0]):
        return None
    before = next(iter(old), None)

    def build() -> Digest:
        then = {} if before is None else _told(before)
        now = _told(as_of)
        return digest({**now, "catalogue": corrections()}, then, as_of=as_of, since=before)

    return kept("news", as_of, before, build=build)


def not_analysed() -> int:
    """Rows that were loaded since the newest analysis."""
    return kept("not analysed", build=lambda: stored.loaded_since_analysis(store()))


def peers_tables(as_of: datetime) -> PeersTables:
    """The tables that the page of vehicles unlike their peers is made of."""
    return PeersTables(
        outlier_check=table("outlier_check", as_of),
        outlier_reason=table("outlier_reason", as_of),
        vehicles=vehicles(),
        corrections=corrections(),
    )


def cause_knowledge() -> Mapping[str, Cause]:
    """What is known of every cause."""
    return causes()


def moved_by_causes(family: str) -> dict[str, frozenset[str]]:
    """By cause: the corrections of an engine family that it moves."""
    from dashboard.views.explained import moved_by_causes as moved_by  # noqa: PLC0415 - compiled kernels, as above

    return kept("moved by causes", family, build=lambda: moved_by(family, corrections(), families()))


def setting(name: str, as_of: datetime) -> float | None:
    """What one setting of an analysis was; None where that analysis did not publish it."""
    settings = table("analysis_setting", as_of)
    return dict(settings.iter_rows()).get(name) if settings.width else None


def forecast_warning() -> str:
    """What stands beside a forecast that was never checked; empty where it was."""
    return unchecked_warning(newest_table("forecast_check"))
