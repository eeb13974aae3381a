"""The local page: where it is served, and to whom."""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Annotated, NamedTuple

from pydantic import AfterValidator, Field, SecretStr

from wattround.config.kinds import FilePath
from wattround.config.part import Part

OFF = "off"
DEFAULT_LISTEN = "127.0.0.1:9288"
"""The port is "watt" on the keys of a telephone."""
LOWEST_PORT = 1024
"""Below it only root may listen, and the service is not root."""
_PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)+")
_HOST = re.compile(r"(?!-)[a-z0-9-]{1,63}(\.[a-z0-9-]{1,63})*")


class Place(NamedTuple):
    """An address of this machine, and a port."""

    address: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only programs on this machine can reach it."""
        return ip_address(self.address).is_loopback

    @property
    def authority(self) -> str:
        """As it stands in a URL."""
        return f"[{self.address}]:{self.port}" if ":" in self.address else f"{self.address}:{self.port}"


def place_of(listen: str) -> Place:
    """The address and port of a text such as "127.0.0.1:9288" or "[::1]:9288".

    Raises:
        ValueError: for anything else.
    """
    address, _, port = listen.rpartition(":")
    bracketed = address.startswith("[") and address.endswith("]")
    try:
        kind = IPv6Address if bracketed else IPv4Address
        found = Place(str(kind(address.strip("[]"))), int(port) if port.isdecimal() and port.isascii() else 0)
    except ValueError:
        raise ValueError('"off", or an address and port such as "127.0.0.1:9288" or "[::1]:9288"') from None
    if not LOWEST_PORT <= found.port <= 65_535:
        raise ValueError(f"an address and a port from {LOWEST_PORT} to 65535")
    return found


def _listen(found: str) -> str:
    if found != OFF:
        place_of(found)
    return found


def _prefix(found: str) -> str:
    if found and not _PREFIX.fullmatch(found):
        raise ValueError('a path such as "/wattround", without a slash at its end')
    return found


def _host(found: str) -> str:
    if not _HOST.fullmatch(found):
        raise ValueError('a host\'s name in small letters such as "house.home.arpa", without a port')
    return found


class Page(Part):
    """What a browser sees of the house. Off with `listen = "off"`."""

    listen: Annotated[str, AfterValidator(_listen)] = DEFAULT_LISTEN
    names: tuple[Annotated[str, AfterValidator(_host)], ...] = Field(default=(), max_length=20)
    prefix: Annotated[str, AfterValidator(_prefix)] = ""
    token: SecretStr | None = None
    token_file: FilePath | None = None
    token_credential: str | None = None
    tls_certificate_file: FilePath | None = None
    tls_key_file: FilePath | None = None

    @property
    def place(self) -> Place | None:
        """Where to listen; None: nowhere."""
        return None if self.listen == OFF else place_of(self.listen)

    @property
    def has_token(self) -> bool:
        """Whether a token is asked for."""
        return any(each is not None for each in (self.token, self.token_file, self.token_credential))
