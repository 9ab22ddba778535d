"""Part of the intake page: what a word means, as `leeway explain` says it."""

import streamlit as st

from dashboard.views.wording import plain
from pipelines.errors import SettingError
from pipelines.explain import explained, topics


def words() -> None:
    """A word is chosen or written, and explained."""
    with st.expander("What words mean: drop, mapping, units, any column"):
        chosen = st.selectbox("Word", list(topics()), key="word", bind="query-params")
        own = st.text_input("Or any table, column, correction or cause", key="own_word")
        try:
            st.code("\n".join(explained(own or str(chosen))), language=None, wrap_lines=True)
        except SettingError as error:
            st.info(plain(str(error)))
