"""A button for those whose roles allow what it does; to all others it says who may."""

from typing import Any

import streamlit as st

from dashboard import signed_in
from dashboard.views.wording import plain


def button(label: str, right: str, **how: Any) -> bool:
    """Whether it was clicked just now, by somebody who may.

    Args:
        label: On it.
        right: What the reader must be allowed.
        how: Further arguments of `st.button`.
    """
    reader = signed_in.person()
    if reader.may(right):
        return bool(st.button(label, **how))
    st.button(label, disabled=True, **{**how, "help": plain(reader.denied(right))})
    return False
