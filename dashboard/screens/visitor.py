"""A vehicle that is not in the fleet: one reading typed in, held against its family; nothing of it is written down."""

from typing import TYPE_CHECKING

import polars as pl
import streamlit as st

from dashboard import published
from dashboard.screens.frame import Frame
from dashboard.views.joined import choices, distinct_titles
from dashboard.views.vehicle import causes_of
from dashboard.views.wording import amount, number, percent, plain, unit_word
from pipelines.errors import LeewayError

if TYPE_CHECKING:
    from pipelines.causes.visitor import Visitor

MOST_SHOWN = 6
OFF_FROM = 3.0  # healthy scatters from which a value is said to be off


def visitor_part(frame: Frame) -> None:
    """A family, what can be read, the values; then what it is likely to be and what one reading cannot tell."""
    families = choices(published.vehicles(), "engine_family")
    if not families:
        return
    family = st.selectbox("Engine family", families, index=None, placeholder="pick one", key="visitor: family")
    if family is None:
        st.caption("One reading is held against what the family's vehicles read now. Nothing is written down.")
        return
    usual = published.what_is_usual(family, frame.reader.as_of)
    if usual.is_empty():
        st.info("Too few vehicles of this family were read to hold another against them.")
        return
    known = published.corrections().join(usual, left_on="code", right_on="correction", how="inner")
    groups = known["group"].fill_null("other").unique(maintain_order=True).to_list()
    picked = st.pills(
        "What you can read", groups, selection_mode="multi", default=groups[:1], key="visitor: groups",
        format_func=lambda group: str(group).replace("_", " ").capitalize(),
    )  # fmt: skip
    asked = known.filter(pl.col("group").fill_null("other").is_in(picked))
    titles = distinct_titles(asked["code"], published.corrections())
    with st.form("visitor"):
        values: dict[str, float | None] = {}
        sides = st.columns(2)
        for place, row in enumerate(asked.iter_rows(named=True)):
            unit = unit_word(row["unit"])
            values[row["code"]] = sides[place % 2].number_input(
                titles[row["code"]] + (f", {unit}" if unit else ""), value=None, format="%.4g",
                placeholder=f"usually about {number(row['usual'])}", key=f"visitor: {row['code']}",
            )  # fmt: skip
        codes = st.text_input("Codes in its memory", placeholder="P0171 P0300", key="visitor: codes")
        if not st.form_submit_button("Compare", width="stretch", type="primary"):
            return
    read = {code: value for code, value in values.items() if value is not None}
    if not read:
        st.info("Type at least one value.")
        return
    try:
        told = published.held_against_peers(read, codes.replace(",", " ").split(), family, frame.reader.as_of)
    except LeewayError as error:
        st.info(plain(str(error)))
        return
    _shown(told, titles, dict(asked.select("code", "unit").iter_rows()))


def _shown(told: "Visitor", titles: dict[str, str], units: dict[str, str | None]) -> None:
    lines = []
    for row in told.against.head(MOST_SHOWN).iter_rows(named=True):
        line = plain(
            f"{titles[row['correction']]}: {amount(row['value'], units[row['correction']], figures=3)}, "
            f"usually {number(row['low'])} to {amount(row['high'], units[row['correction']])}"
        )
        lines.append(f"- **{line}: off**" if abs(row["scatters"]) >= OFF_FROM else f"- {line}")
    st.markdown("\n".join(lines))
    for cause in causes_of("", told.ranking, published.cause_knowledge()):
        with st.expander(f"{percent(cause.probability)} · {plain(cause.name)}", expanded=cause.probability >= 0.5):
            st.markdown(plain(cause.evidence))
            if cause.checks:
                st.markdown("**Check, in this order:**\n" + "\n".join(f"1. {plain(check)}" for check in cause.checks))
    for sentence in told.unsaid:
        st.info(plain(sentence))
