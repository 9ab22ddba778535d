"""Who looks at the page now, what they may, and the log of what they do; alone in asking Streamlit who it is."""

import os
from collections.abc import Callable
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import variables
from dashboard.roles import ANYBODY, Person, person_of
from dashboard.views.wording import plain
from pipelines.command_options import DEFAULT_STORE
from pipelines.errors import LeewayError
from pipelines.settings_file import settings_now
from pipelines.store.acts import write_act
from pipelines.store.entries import key_of_person
from pipelines.store.folder import Store

NOTED = "sign-in was written down"  # in the session
_ACTING: ContextVar[Person | None] = ContextVar("acting", default=None)  # for whom a file is made, off their page
NOBODY = Person(roles=frozenset(), depots=frozenset())


def place() -> Path:
    """Folder of the store that this dashboard shows."""
    return Path(os.environ.get(variables.STORE) or DEFAULT_STORE)


def asks_who() -> bool:
    """Whether people sign in here."""
    return bool(os.environ.get(variables.SIGN_IN))


def person() -> Person:
    """Who looks at the page now; without a role where they have not signed in, or too long ago.

    Asked anew at each rerun: a role that is taken away is gone with the next click.

    Raises:
        SettingError: the file of roles or of settings cannot be right.
    """
    if not asks_who():
        return ANYBODY
    if (acting := _ACTING.get()) is not None:
        return acting
    if not _is_in():
        return NOBODY
    claims: dict[str, Any] = dict(st.user)
    sign_in = settings_now(place()).sign_in
    groups = claims.get(sign_in.groups_claim) or []
    return person_of(
        place(),
        name=str(claims.get("name") or ""),
        address=str(claims.get("email") or claims.get("sub") or ""),
        groups=[str(group) for group in ([groups] if isinstance(groups, str) else groups)],
    )


def _is_in() -> bool:
    """Whether somebody has signed in, by an address of their own, and not longer ago than a sign-in lasts."""
    if not st.user.is_logged_in:
        return False
    claims: dict[str, Any] = dict(st.user)
    if claims.get("email") and claims.get("email_verified") is False:
        return False  # anybody may have written it
    lasts = timedelta(hours=settings_now(place()).sign_in.hours)
    began = datetime.fromtimestamp(float(claims.get("auth_time") or claims.get("iat") or 0), UTC)
    return datetime.now(UTC) - began <= lasts


def known_as() -> str:
    """The name under which they enter; empty: nobody signs in, and each types their own."""
    reader = person()
    if not reader.address:
        return ""
    return reader.name if reader.name == reader.address else f"{reader.name} ({reader.address})"


def must(right: str) -> None:
    """Refuse what the reader's roles do not allow, and write that down.

    Raises:
        DeniedError: they may not.
    """
    reader = person()
    if not reader.may(right):
        did("was refused", right)
    reader.must(right)


def did(what: str, about: str = "") -> None:
    """Write down what the reader did.

    Raises:
        StoreError: the log cannot be written; then nothing is to be done either.
    """
    if asks_who():
        store = Store(place())
        name = known_as()
        write_act(store, who=key_of_person(store, name) if name else "", what=what, about=about)


def for_reader(make: Callable[[], bytes], about: str) -> Callable[[], bytes]:
    """What makes a file when it is asked for, as the one who reads now, and writes down that they took it."""
    if not asks_who():
        return make
    reader = person()

    def made() -> bytes:
        before = _ACTING.set(reader)
        try:
            did("took a file", about)
            return make()
        finally:
            _ACTING.reset(before)

    return made


def let_in() -> bool:
    """Show who has not signed in, or has no role, the way in; whether the reader may see the fleet."""
    if not asks_who():
        return True
    try:
        reader = person()
    except LeewayError as error:
        st.error(plain(str(error)))
        return False
    if not reader.address:
        _ask_to_sign_in()
        return False
    if not st.session_state.get(NOTED):
        did("signed in", ", ".join(sorted(reader.roles)) or "without a role")
        st.session_state[NOTED] = True
    if not reader.may("see"):
        st.title("No role here yet")
        st.write(plain(f"You have signed in as {reader.address}. {reader.denied('see')}"))
        st.button("Sign out", on_click=st.logout)
        return False
    return True


def _ask_to_sign_in() -> None:
    st.title("Leeway")
    st.write("See which vehicles' learned engine corrections stray, and why. Sign in to see your fleet.")
    st.button("Sign in", on_click=st.login, type="primary")


def show_who() -> None:
    """Say who has signed in, as what and for which depots, and let them go."""
    reader = person()
    if not reader.address:
        return
    depots = "every depot" if reader.depots is None else ", ".join(sorted(reader.depots)) or "no depot"
    st.caption(plain(f"{known_as()}: {', '.join(sorted(reader.roles))}, {depots}"))
    st.button("Sign out", on_click=_sign_out, key="sign_out")


def _sign_out() -> None:
    did("signed out")
    st.logout()
