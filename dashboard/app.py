"""The router: which pages there are, in which order, and what an error the reader can mend looks like."""

from pathlib import Path

import streamlit as st

from dashboard import published, signed_in
from dashboard.roles import DeniedError
from dashboard.views.address import KEPT_IN_MENU, PAGE_RIGHTS, PAGES, TO_PRINT
from dashboard.views.wording import plain
from pipelines.errors import LeewayError

st.set_page_config(
    page_title="Leeway", page_icon=str(Path(__file__).with_name("mark.svg")), layout="wide", initial_sidebar_state=230
)
st.html(Path(__file__).with_name("looks.css"))
if not signed_in.let_in():
    st.stop()
first = st.Page("screens/today.py", title=PAGES["today"], url_path="start", default=True)  # at the bare address
pages = [st.Page(f"screens/{name}.py", title=title, url_path=name) for name, title in PAGES.items()]
page = st.navigation([first, *pages], position="hidden")
carried = {name: st.query_params.get_all(name) for name in KEPT_IN_MENU if name in st.query_params}
with st.sidebar.container(key="menu", gap="xsmall"):
    for each in pages:
        st.page_link(each, query_params=carried, width="stretch")
    with st.container(key="printing"):
        printed = TO_PRINT in st.query_params
        here = {name: st.query_params.get_all(name) for name in st.query_params if name != TO_PRINT}
        st.page_link(
            page,
            label="Back to the screen" if printed else "Page to print",
            query_params=here if printed else {**here, TO_PRINT: ["yes"]},
            help="All rows of all tables as text, for paper: print it with the browser.",
        )
    signed_in.show_who()
why = published.away()
try:
    if why:
        st.warning(plain(why))
    if right := PAGE_RIGHTS.get(page.url_path):
        signed_in.must(right)
    page.run()
except DeniedError as error:
    st.title(page.title)
    st.warning(plain(str(error)))
except LeewayError as error:
    if published.away() and not why:  # found only now: another state is shown
        st.rerun()
    st.error(plain(str(error)))
