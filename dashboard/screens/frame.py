"""What every page shares: the reader's choices in the side bar, the line on what figures rest on, tables with links."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from types import MappingProxyType
from typing import Any, NoReturn

import polars as pl
import streamlit as st
from streamlit.elements.lib.column_types import ColumnConfig

from dashboard import entered, files, published, signed_in, suppliers
from dashboard.charts import Drawn
from dashboard.charts.ready import ready
from dashboard.palette import chart_words
from dashboard.screens import settings
from dashboard.screens.analyse_now import analyse_now
from dashboard.screens.saving import download, offer_chart, offer_table
from dashboard.views import address
from dashboard.views.paper import fits, paper_table
from dashboard.views.wording import Reader, count, listed, plain, sentence, shell_word

WATCHED_EVERY = 60.0  # seconds between looks at the pointer of the store, a file of a line (judgement)
ABSENT = "\N{EN DASH}"  # in a table cell without a value


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One run of a page: who reads which published state, and the parameters its links carry."""

    reader: Reader
    carried: dict[str, str]
    newest: bool


def choose() -> Frame | None:
    """Side bar with how the reader reads and the published state; None where nothing was analysed yet."""
    states = published.kept_as_ofs()
    if not states:
        return None
    named = {address.state_name(Reader(as_of=at)): at for at in states}
    with st.sidebar.container(key="reading"):
        _newer(published.store().version())
        _go_to()
        settings.pick()
        picked = next(iter(named))
        if len(named) > 1:
            picked = st.selectbox(
                "As of",
                list(named),
                key="as_of",
                bind="query-params",
                help="Analyses that are kept. The newest is shown unless you pick another.",
            )
    newest = picked == next(iter(named))
    reader = reader_at(named[picked])
    return Frame(
        reader=reader, carried=address.shared(reader, newest=newest, zone=settings.picked_zone()), newest=newest
    )


@st.fragment(run_every=WATCHED_EVERY)
def _newer(shown: int) -> None:
    """Say, by itself, that the store went on since this page was drawn, and show that at a click."""
    if published.store().version() == shown:
        return
    st.info("Newer data are there.")
    if st.button("Show them", key="newer"):
        st.rerun()


def _go_to() -> None:
    """A vehicle's page from anywhere by its number and Enter: cells of a table answer to a click or a tap alone.

    Pages with a field of their own for a vehicle, whose number is then theirs in the address, have none.
    """
    if "vehicle" in st.session_state or "vehicle" in st.query_params:
        return
    st.text_input(
        "Go to a vehicle", key="go_to", placeholder="its number", on_change=_asked_for, autocomplete="off",
        help="Enter opens its page; a number that is none is answered with the nearest.",
    )  # fmt: skip
    if asked := st.session_state.pop("asked vehicle", ""):
        open_vehicle(asked)


def _asked_for() -> None:
    st.session_state["asked vehicle"] = st.session_state["go_to"].strip()
    st.session_state["go_to"] = ""


def asked_state(states: Sequence[datetime]) -> datetime | None:
    """The published state that the address names, the newest where it names none; None: nothing was analysed."""
    named = {address.state_name(Reader(as_of=at)): at for at in states}
    return named.get(st.query_params.get("as_of", ""), next(iter(states), None))


def reader_at(as_of: datetime) -> Reader:
    """Who reads the state of that time, by what they picked."""
    now = settings.settings()
    return Reader(as_of=as_of, zone=now.zone, miles=now.miles, fahrenheit=now.fahrenheit, dates=now.dates)


def nothing_yet() -> None:
    """The page before anything was analysed: what is missing and which command brings it."""
    place = published.store()
    here = shell_word(str(place.path))
    if not place.exists():
        st.info(
            f"There is no store at {plain(str(place.path))} yet. Load what there is (a drop, a spreadsheet, logs of a "
            "reader, an export), here or in a terminal; or make a fleet to look at:"
        )
        st.code(f"leeway load ANYTHING --store {here}\nleeway analyse --store {here}\n\nleeway demo", language="bash")
        _where_to_load()
    elif not published.vehicles().height:
        st.info("The store is empty: no vehicle was loaded yet.")
        st.code(f"leeway load ANYTHING --store {here}", language="bash")
        _where_to_load()
    else:
        st.info("Drops were loaded, but nothing was analysed yet.")
        st.code(f"leeway analyse --store {here}", language="bash")
        analyse_now()


def _where_to_load() -> None:
    st.page_link("screens/drops.py", label="Load a file here, whatever its columns")
    st.page_link("screens/explain.py", label="What words mean")


def basis(frame: Frame, *lines: str) -> None:
    """The small print under a title: what moment and what data the figures stand for."""
    older = "" if frame.newest else " This is an older state; the newest is in the side bar."
    waits = (_not_analysed(), entered.waiting(frame.reader.as_of)) if frame.newest else ()
    said = (f"As of {frame.reader.moment(frame.reader.as_of)}.{older}", *lines, *waits)
    st.caption(" ".join(part for part in said if part))


def _not_analysed() -> str:
    rows = published.not_analysed()
    return (
        f"{sentence(count(rows, 'row'))} came in since and count with the next analysis: leeway analyse."
        if rows
        else ""
    )


def picked(label: str, options: Sequence[str], key: str, *, help_text: str | None = None) -> list[str]:
    """A choice of several that stands in the address; nothing picked means all; what is none of them is said to be."""
    unknown = [each for each in st.query_params.get_all(key) if each not in options]
    if unknown:
        kinds = f"{label[:1].lower()}{label[1:]}"
        st.warning(f"{plain(listed(unknown))}: no {kinds} of this state. It is left out of the choice.")
    if len(options) < 2 and not help_text:
        return []
    return st.multiselect(label, options, key=key, bind="query-params", placeholder="all", help=help_text)


def your_name(form: str) -> str:
    """Who enters something: one who is known, or a new name; typed once a session. Empty: nobody is picked.

    Args:
        form: What it is asked for; two forms of a page need two.
    """
    if known := signed_in.known_as():
        st.caption(plain(f"Entered as {known}."))
        return known
    people = sorted(entered.now().people.values())
    mine: str = st.session_state.get(entered.NAME, "")
    names = [mine, *(name for name in people if name != mine)] if mine else people
    key = f"{form}: name"
    if mine and not st.session_state.get(key):  # a form that stood there before the name was typed in another
        st.session_state[key] = mine
    name = st.selectbox("Your name", names, index=None, accept_new_options=True, placeholder="pick or type", key=key)
    return name or ""


def table(
    rows: pl.DataFrame, *, key: str, opened_with: Mapping[str, str] = MappingProxyType({}),
    saved: pl.DataFrame | None = None, **shown: Any,
) -> None:  # fmt: skip
    """A table of text and figures, which can be saved; what a spreadsheet would run stands behind a `'` in it.

    A click on a vehicle's number opens its page in place. Paper gets all rows.

    Args:
        rows: What it shows.
        key: Its name, unique on the page.
        opened_with: Further parameters of a vehicle's page that is opened from it.
        saved: What its file holds, in kilometres and °C whatever the reader reads; None: the same rows.
        shown: Further arguments of `st.dataframe`.
    """
    columns = settings.columns_as_read(shown.pop("column_config", {}))
    opens = f"open {key}"
    paper(rows, {**columns, "vehicle_id": {"label": "Vehicle"}}, key=key, caption=str(shown.get("alt", "")))
    if to_print():
        return
    button = st.column_config.ButtonColumn("Vehicle", type="tertiary", alignment="left", pinned=True, key=opens)
    with st.container(key=f"screen-{key}"):
        st.dataframe(  # noqa: TID251 - the one place
            files.as_cells(rows).to_arrow(), key=key, column_config={**columns, "vehicle_id": button}, **shown
        )
        offer_table(rows if saved is None else saved, key, columns)
    if clicked := st.session_state.get(opens):
        open_vehicle(str(rows.item(clicked["row"], "vehicle_id")), **opened_with)


def to_print() -> bool:
    """Whether the page was opened to be printed: tables stand on it whole, as text."""
    return st.query_params.get(address.TO_PRINT) == "yes"


def paper(rows: pl.DataFrame, columns: Mapping[str, Any], *, key: str, caption: str) -> None:
    """The same table for paper, which does not scroll: on the page itself, unless it is long and nobody prints yet."""
    with st.container(key=f"{'printed' if to_print() else 'paper'}-{key}"):
        if to_print() or fits(rows):
            st.html(paper_table(rows, columns, reader_at(datetime.now(UTC)), caption=caption))
        else:
            st.markdown(f"{rows.height:,} rows: print what \u2018Page to print\u2019 in the menu opens.")


def open_vehicle(vehicle_id: str, **more: str) -> NoReturn:
    """Go to the page of a vehicle, with what the reader picked for all pages."""
    carried = {name: st.query_params.get_all(name) for name in address.KEPT_IN_MENU if name in st.query_params}
    st.switch_page("screens/vehicle.py", query_params={**carried, **more, "vehicle": vehicle_id})


def chart(drawn: Drawn, *, key: str, alt: str) -> None:
    """A chart, which can be saved.

    Args:
        drawn: The chart.
        key: Its name, unique on the page.
        alt: What it shows, in words.
    """
    now, here = settings.settings(), settings.device_zone()
    moved = None if now.zone == here else (now.zone.key, here.key)  # the browser draws times on its own clock
    spec = {**settings.chart_as_read(ready(drawn, moved)), "config": chart_words(st.context.theme.type)}
    st.vega_lite_chart(spec=spec, alt=alt)  # noqa: TID251 - this is the one place
    offer_chart(drawn, key, title=alt, zone=now.zone.key)


def short_table(rows: pl.DataFrame, *, key: str, alt: str) -> None:
    """A table of a few rows of text that is read as it stands, without scrolling; it can be saved.

    Args:
        rows: What it shows, under the names that are read.
        key: Its name, unique on the page.
        alt: What it shows, in words.
    """
    words = rows.with_columns(pl.all().map_elements(plain, return_dtype=pl.String))
    st.table(words, hide_index=True, alt=alt)  # noqa: TID251 - the one place
    offer_table(rows, key, {})


def editor(rows: pl.DataFrame, **shown: Any) -> pl.DataFrame:
    """The same as a table in which cells can be typed, and what it holds now; the page offers what it saves itself.

    A form, in which it mostly stands, may hold no button that saves.

    Args:
        rows: What it shows.
        shown: Further arguments of `st.data_editor`.
    """
    edited: pl.DataFrame = st.data_editor(files.as_cells(rows), **shown)  # noqa: TID251 - this is the one place
    return edited


def known_columns(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows without the columns in which nothing is known; a table without rows keeps all."""
    return rows.select(name for name in rows.columns if not rows.height or rows.get_column(name).count())


def as_percent(rows: pl.DataFrame, *shares: str) -> pl.DataFrame:
    """The rows with shares from 0 to 1 turned into percent, for `percent_column`."""
    return rows.with_columns(pl.col(share) * 100 for share in shares)


def percent_column(label: str, help_text: str | None = None) -> ColumnConfig:
    """Column of percentages to two figures."""
    column: ColumnConfig = st.column_config.NumberColumn(label, format="%.2g %%", help=help_text)
    return column


def supplier_button(record: dict[str, Any], frame: Frame) -> None:
    """The page for a part's supplier as PDF.

    Args:
        record: Of `suppliers.parts`.
        frame: Who reads which state.
    """
    download(
        f"Download the page for the supplier: {plain(str(record['part']))}",
        partial(suppliers.page, record, frame.reader.as_of),
        f"supplier-{record['component']}.pdf",
        mime="application/pdf",
        key=f"supplier page {record['component']}",
    )
