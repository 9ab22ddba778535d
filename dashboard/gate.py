"""Who may speak to the dashboard: requests that name it by its own names, from no page but its own.

A page opened under another name that leads here (DNS rebinding) is refused, and so is a page of any other origin,
another port of this machine included; on HTTP and on websockets, before Streamlit sees it.
"""

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.hosts import Hosts

REFUSED = "This is not an address of this dashboard. Whoever started it can allow it: leeway serve --allow-host NAME\n"
POLICY_VIOLATION = 1008  # RFC 6455, section 7.4.1


class Gate:
    """ASGI middleware that lets through what names one of its hosts and comes from no other origin."""

    def __init__(self, app: ASGIApp, hosts: Hosts) -> None:
        self.app, self.hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or refuse without a word of what was asked."""
        if scope["type"] not in {"http", "websocket"} or self._lets_in(Headers(scope=scope)):
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            await PlainTextResponse(REFUSED, status_code=403)(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": POLICY_VIOLATION})

    def _lets_in(self, headers: Headers) -> bool:
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        if len(hosts) != 1 or hosts[0] not in self.hosts:
            return False
        return all(_place(origin) == hosts[0].lower() for origin in origins)


def _place(origin: str) -> str:
    """Name and port of an origin; empty for one that has none, as a page in a frame without rights."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""
