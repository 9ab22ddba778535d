"""The router: which pages there are, in which order, and what an error the reader can mend looks like."""

from pathlib import Path

import streamlit as st

from dashboard.views.address import PAGES
from dashboard.views.wording import plain
from pipelines.errors import LeewayError

st.set_page_config(
    page_title="Leeway", page_icon=str(Path(__file__).with_name("mark.svg")), layout="wide", initial_sidebar_state=230
)
page = st.navigation(
    [
        st.Page(f"screens/{name}.py", title=title, url_path=name, default=name == "today")
        for name, title in PAGES.items()
    ]
)
try:
    page.run()
except LeewayError as error:
    st.error(plain(str(error)))
