"""What the server says of every answer: in no other page's frame, nothing loaded from elsewhere, cookies kept close."""

import re
from base64 import b64encode
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path

import streamlit
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PAGE = Path(streamlit.__file__).with_name("static") / "index.html"


def inline_scripts(page: str) -> str:
    """The scripts that stand in a page itself, as a policy names them: by what they hold."""
    held = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    return " ".join(f"'sha256-{b64encode(sha256(each.encode()).digest()).decode()}'" for each in held)


# Streamlit styles its parts in place, draws pictures from memory and has a line of script in its page; all others
# come from this server alone.
POLICY = (
    f"default-src 'self'; script-src 'self' 'wasm-unsafe-eval' {inline_scripts(PAGE.read_text('utf-8'))}; "
    "style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; worker-src 'self' blob:; connect-src 'self'; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
OVER_TLS = {"strict-transport-security": "max-age=31536000"}


class Headers:
    """ASGI middleware that adds these headers, and marks cookies as Secure where people come over TLS.

    Args:
        app: What answers.
        secure: Whether people open the dashboard by https, be it through a proxy.
    """

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app, self.secure = app, secure
        self.headers = HEADERS | (OVER_TLS if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on; what is answered gets the headers."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=list(message.get("headers", [])))
                for name, value in self.headers.items():
                    headers[name] = value
                message = {**message, "headers": list(self._cookies(headers.raw))}
            await send(message)

        await self.app(scope, receive, answer)

    def _cookies(self, raw: Iterable[tuple[bytes, bytes]]) -> Iterable[tuple[bytes, bytes]]:
        for name, value in raw:
            bare = self.secure and name.lower() == b"set-cookie" and b"secure" not in value.lower().split(b"; ")
            yield name, value + b"; Secure" if bare else value
