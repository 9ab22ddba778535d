"""The part of a page on which its views are kept under names, as links, and lists of vehicles."""

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

import polars as pl
import streamlit as st

from dashboard import entered
from dashboard.screens import frame as shared
from dashboard.screens.frame import Frame
from dashboard.views.saved_views import LONGEST_TITLE, KeptList, KeptView, Removed, kept_lists, kept_views, selection_of
from dashboard.views.wording import count, plain

VIEW, LIST = "keep view", "keep list"


def saved_part(page: str, address: Mapping[str, Sequence[str]], frame: Frame) -> None:
    """The views of a page that were kept, each a link, and a form that keeps this one.

    Args:
        page: Its path.
        address: Everything that was picked.
        frame: Who reads, whose units and form of dates the links keep.
    """
    known = entered.now()
    if known.problem:
        return  # the part of notes says it
    kept = kept_views(known.counts, known.people, page)
    with st.expander(f"Saved views ({kept.height})" if kept.height else "Save this view"):
        if kept.height:
            lines = [f"- {_link(page, row, frame)}" for row in kept.to_dicts()]
            st.markdown("\n".join(lines), unsafe_allow_html=True)
        _say(VIEW)
        key = entered.client_key(VIEW)
        with st.form(VIEW, border=False):
            st.caption("Everything picked above is kept under a name, as a link that opens on the newest analysis.")
            with st.container(horizontal=True):
                title = st.text_input("Name of the view", max_chars=LONGEST_TITLE, key=f"{VIEW}: title {key}")
                name = shared.your_name(VIEW)
            sent = st.form_submit_button("Keep this view")
        if sent:
            kept_view = KeptView(title=title, page=page, address=address, name=name, client_key=key)
            _said(VIEW, [*filter(None, [entered.enter(VIEW, kept_view)])], f"Kept: {title.strip()}.")
        _removal(VIEW, "view")


def _link(page: str, row: Mapping[str, str], frame: Frame) -> str:
    """A view's link as HTML in Markdown, which loads the page: a link inside it would leave what is picked as it is."""
    mine = {name: value for name, value in frame.carried.items() if name != "as_of"}
    asked = urlencode({**mine, **selection_of(row["address"])}, doseq=True)  # encoded here, whatever the record holds
    return f'<a href="{page}?{asked}" target="_self">{plain(row["name"])}</a> ({plain(row["who"])})'


def lists_part(vehicles: Sequence[str]) -> None:
    """The lists of vehicles that were kept, and a form for another.

    Args:
        vehicles: Of the fleet.
    """
    known = entered.now()
    if known.problem:
        return
    lists = kept_lists(known.counts, known.people)
    with st.expander(f"Lists of vehicles ({len(lists)})" if lists else "Make a list of vehicles"):
        for title, listed in lists.items():
            st.caption(f"{plain(title)}: {count(len(listed), 'vehicle')}")
        _say(LIST)
        key = entered.client_key(LIST)
        with st.form(LIST, border=False):
            typed = st.text_area("Vehicles, one a line", height=100, key=f"{LIST}: typed {key}")
            with st.container(horizontal=True):
                title = st.text_input("Name of the list", max_chars=LONGEST_TITLE, key=f"{LIST}: title {key}")
                name = shared.your_name(LIST)
            sent = st.form_submit_button("Keep the list")
        if sent:
            kept_list = KeptList(title=title, typed=typed, known=vehicles, name=name, client_key=key)
            _said(LIST, [*filter(None, [entered.enter(LIST, kept_list)])], f"Kept: {title.strip()}.")
        _removal(LIST, "list")


def _removal(form: str, kind: str) -> None:
    """A form that removes one of those that are kept, with whatever stood under its name before."""
    kept = entered.now().counts.filter(pl.col("kind") == kind)
    if not kept.height:
        return
    removal = f"{form}: remove"
    key = entered.client_key(removal)
    with st.form(removal, border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        title = st.selectbox("Remove", kept["value"].unique().sort().to_list(), index=None, key=f"{removal} {key}")
        name = shared.your_name(removal)
        sent = st.form_submit_button("Remove it")
    if sent and title is not None:
        ids = kept.filter(pl.col("value") == title)["entry_id"].to_list()
        gone = [Removed(entry_id=entry_id, name=name, client_key=f"{key} {entry_id}") for entry_id in ids]
        problems = [gone[0].problem] if gone[0].problem else entered.enter_several(removal, gone)
        _said(form, problems, f"Removed: {title}.")


def _said(form: str, problems: Sequence[str], said: str) -> None:
    """Say what is wrong, or what was done once the page shows it."""
    if problems:
        st.error(plain(problems[0]))
        return
    st.session_state[f"{form}: said"] = said
    st.rerun()


def _say(form: str) -> None:
    if said := st.session_state.pop(f"{form}: said", ""):
        st.success(plain(said))
