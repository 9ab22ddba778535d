"""Network addresses and names: which lead to this machine alone, and which the dashboard answers to."""

import ipaddress
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True, kw_only=True)
class Hosts:
    """Names that the dashboard answers to.

    Attributes:
        names: In lower case.
        any_number: Whether any numeric address will do: a page that was led here by a name never has one.
    """

    names: frozenset[str]
    any_number: bool = False

    @classmethod
    def of(cls, address: str, allowed: Iterable[str]) -> "Hosts":
        """This machine's own names, the address that is answered on, and those allowed besides."""
        own = {"localhost", "127.0.0.1", "::1", socket.gethostname(), address, *allowed}
        return cls(names=frozenset(name.lower().rstrip(".") for name in own), any_number=is_every_address(address))

    def __contains__(self, host: str) -> bool:
        """Whether a request's `Host`, with its port or without, is one of them."""
        try:
            parts = urlsplit(f"//{host}")
            name = (parts.hostname or "").rstrip(".")
        except ValueError:
            return False
        if parts.netloc != host or "@" in host:
            return False
        return name in self.names or (self.any_number and _number(name) is not None)


def is_number(name: str) -> bool:
    """Whether it is a numeric network address."""
    return _number(name) is not None


def is_this_machine(address: str) -> bool:
    """Whether nobody but this machine can reach what is answered on an address."""
    number = _number(address)
    return address.lower() == "localhost" if number is None else number.is_loopback


def is_every_address(address: str) -> bool:
    """Whether it stands for all addresses of this machine."""
    number = _number(address)
    return number is not None and number.is_unspecified


def _number(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        return None
