"""Sign-in by OpenID Connect as Streamlit wants it told, from the file of settings; and the key of its cookies."""

import os
import secrets
from pathlib import Path
from typing import Any

from pipelines.errors import SettingError
from pipelines.settings_file import SignIn

KEY = "sign-in.key"  # in the store's folder; in no backup: who has it can sign in as anybody
CALLBACK = "/oauth2callback"


def secrets_of(sign_in: SignIn, folder: Path) -> dict[str, Any]:
    """Streamlit's secrets for `st.login`.

    Args:
        sign_in: What is set.
        folder: Of the store.

    Raises:
        SettingError: something that sign-in needs is not set, or the secret's file cannot be read.
    """
    for name in ("client_id", "client_secret_file", "address"):
        if not getattr(sign_in, name):
            raise SettingError(f"[sign_in], {name}: is needed where a provider is set. leeway explain settings")
    if not sign_in.address.startswith(("https://", "http://localhost", "http://127.0.0.1")):
        raise SettingError(f"[sign_in], address: {sign_in.address} is not https. Sign-in over a bare line can be read.")
    file = Path(sign_in.client_secret_file)
    try:
        secret = file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingError(f"[sign_in], client_secret_file: {file} cannot be read ({error}).") from error
    return {"auth": {
        "redirect_uri": sign_in.address.rstrip("/") + CALLBACK, "cookie_secret": _key(folder),
        "client_id": sign_in.client_id, "client_secret": secret, "server_metadata_url": sign_in.provider,
        "client_kwargs": {"scope": "openid email profile"},
    }}  # fmt: skip


def _key(folder: Path) -> str:
    """The key that cookies are signed with, made once, readable by this user alone."""
    file = folder / KEY
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as fresh:
            fresh.write(secrets.token_urlsafe(48))
    except FileExistsError:
        pass
    except OSError as error:
        raise SettingError(f"{file}: cannot be written ({error.strerror}). Sign-in needs it.") from error
    return file.read_text(encoding="ascii").strip()
