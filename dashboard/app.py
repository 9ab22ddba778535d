"""The router: which pages there are, in which order, and what an error the reader can mend looks like."""

import streamlit as st

from dashboard.screens import drops, plan, recurring, today, trends, trust, vehicle
from dashboard.views.address import PAGES
from pipelines.errors import LeewayError

SCREENS = {
    "today": today.show,
    "vehicle": vehicle.show,
    "recurring": recurring.show,
    "plan": plan.show,
    "trends": trends.show,
    "trust": trust.show,
    "drops": drops.show,
}

st.set_page_config(page_title="Leeway", page_icon=":material/tune:", layout="wide")
page = st.navigation(
    [st.Page(show, title=PAGES[name], url_path=name, default=name == "today") for name, show in SCREENS.items()]
)
try:
    page.run()
except LeewayError as error:
    st.error(str(error))
