"""Who may see the page: by which name it is asked for, from which page a request comes, with which token."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from ipaddress import ip_address
from typing import NamedTuple
from urllib.parse import urlsplit

from wattround.config.page import Page, Place
from wattround.config.secrets import MissingSecret, secret_of
from wattround.page.tries import Tries

COOKIE = "wattround"
COOKIE_S = 90 * 86_400
SHORTEST_TOKEN = 16
OPEN = ("/enter", "/health", "/look.css", "/page.js", "/icon.svg")
"""What is there without a token: nothing of the house."""


class Refused(NamedTuple):
    """Why a request is not answered, and with which HTTP status; `wait_s`: when to ask again."""

    status: int
    why: str
    wait_s: int = 0


class Gate:
    """One page's rules of entry.

    Raises:
        MissingSecret: if its token cannot be read, or is too short to be one.
    """

    def __init__(self, page: Page, place: Place) -> None:
        token = secret_of(page.token, page.token_file, page.token_credential)
        if token is not None and len(token) < SHORTEST_TOKEN:
            raise MissingSecret(f"[page] token: {len(token)} characters; at least {SHORTEST_TOKEN} are expected")
        self._token = None if token is None else token.encode()
        self._place, self._names = place, frozenset(page.names)
        self.prefix, self.encrypted = page.prefix, page.tls_certificate_file is not None
        self.tries = Tries()

    # -- by which name, from where --------------------------------------------------------------

    def refusal(self, method: str, headers: Mapping[str, str]) -> Refused | None:
        """Why a request must not be answered, whoever asks; None if it may.

        A name that is not ours may be another's that was made to point here (DNS rebinding); a request to change
        something may come from another's page. Browsers say both truly.
        """
        host = headers.get("host", "")
        if not self.is_ours(host):
            return Refused(
                421, f"This page does not answer to {host[:100] or 'no name'}. [page] names lists what it is called."
            )
        if method in ("GET", "HEAD"):
            return None
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return Refused(403, "This request comes from another page.")
        if origin is None and headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return Refused(403, "This request comes from another page.")
        return None

    def is_ours(self, host: str) -> bool:
        """Whether a Host header names this page. An address cannot be another's name; a name could."""
        try:
            name = (urlsplit(f"//{host}").hostname or "").lower()
        except ValueError:
            return False
        if name == "localhost" or name in self._names:
            return True
        try:
            address = ip_address(name)
        except ValueError:
            return False
        return not self._place.loopback or address.is_loopback

    # -- with which token -----------------------------------------------------------------------

    @property
    def asks(self) -> bool:
        """Whether there is a token at all."""
        return self._token is not None

    @property
    def cookie(self) -> str:
        """What a browser keeps once its token was right: not the token, and no longer good when that is changed."""
        return hmac.new(self._token or b"", b"wattround's page", hashlib.sha256).hexdigest()

    def knows(self, found: str) -> bool:
        """Whether a cookie is the one; in a time that says nothing about it."""
        return hmac.compare_digest(found.encode("utf-8", "replace"), self.cookie.encode())

    def check(self, found: str, address: str, now_s: float) -> Refused | None:
        """Look at a token; None: it is right. After some wrong ones it is not looked at for a while."""
        wait_s = self.tries.wait_s(address, now_s)
        if wait_s > 0:
            return Refused(429, "Too many wrong tokens. Wait, then try again.", int(wait_s) + 1)
        if self._token is not None and hmac.compare_digest(found.encode("utf-8", "replace"), self._token):
            self.tries.passed(address)
            return None
        self.tries.failed(address, now_s)
        return Refused(401, "That is not the token.")

    def set_cookie(self) -> str:
        """The header that has a browser keep the cookie."""
        path = self.prefix or "/"
        secure = "; Secure" if self.encrypted else ""
        return f"{COOKIE}={self.cookie}; Path={path}; Max-Age={COOKIE_S}; HttpOnly; SameSite=Strict{secure}"
