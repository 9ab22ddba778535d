"""What words mean, an address a word: as `leeway explain` says it, out of the data that the product ships."""

import streamlit as st

from dashboard.views.wording import plain
from pipelines.errors import SettingError
from pipelines.explain import explained, topics, words


def show() -> None:
    """The page."""
    st.title("What words mean")
    asked = str(st.query_params.get("word", ""))
    known = words()
    meant = asked.strip().casefold().replace(" ", "_")
    if asked and meant not in known:
        try:
            _told(asked)
        except SettingError as error:
            st.warning(plain(str(error)))
        if st.button("All words"):
            st.query_params.pop("word")
            st.rerun()
        return
    first = known.index(meant) if meant in known else 0
    word = st.selectbox(
        "Word: a table, a column, a correction, a cause, a state", known, index=first, key="word", bind="query-params"
    )
    _told(word)
    st.subheader("Where to begin")
    for topic in topics().values():
        st.page_link("screens/explain.py", label=f"{topic.name}: {topic.title}", query_params={"word": topic.name})
    st.caption("The same in a terminal: leeway explain WORD. Example files to try: leeway explain --example DIR.")


def _told(word: str) -> None:
    st.code("\n".join(explained(word)), language=None, wrap_lines=True)


show()
