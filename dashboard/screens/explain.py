"""What words mean, an address a word: as `leeway explain` says it, out of the data that the product ships."""

import polars as pl
import streamlit as st

from dashboard.screens import frame as shared
from dashboard.views.wording import plain
from pipelines.errors import SettingError
from pipelines.explain import explained, meaning, topics, words


def show() -> None:
    """The page."""
    st.title("What words mean")
    st.markdown("## Every word of the pages, the files and the tables.")
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
    st.subheader("All words")
    shared.table(
        pl.DataFrame([(word, meaning(word)) for word in known], schema=["word", "meaning"], orient="row"),
        key="glossary",
        hide_index=True,
        alt="Every word that is explained, with what it means in a line",
        column_config={
            "word": st.column_config.TextColumn("Word", width="medium"),
            "meaning": st.column_config.TextColumn("In a line", width="large"),
        },
    )
    st.caption("The same in a terminal: leeway explain WORD. Example files to try: leeway explain --example DIR.")


def _told(word: str) -> None:
    st.code("\n".join(explained(word)), language=None, wrap_lines=True)


show()
