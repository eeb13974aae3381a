"""What is wrong with the page's settings as a whole."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.config.finding import Finding
from wattround.config.page import Page


def page_findings(page: Page) -> Iterator[Finding]:
    """Another address than this machine's own only together with a token; a certificate only with its key."""
    place = page.place
    if place is None:
        return
    if not place.loopback and not page.has_token:
        yield Finding(
            ("page", "listen"),
            f'"{page.listen}"',
            "an address of this machine alone, such as 127.0.0.1, or a token beside it",
            "whoever reaches it sees when nobody is home: token_file or token_credential names a secret to ask for",
        )
    if not place.loopback and page.has_token and page.tls_certificate_file is None:
        yield Finding(
            ("page", "listen"),
            f'"{page.listen}"',
            "tls_certificate_file and tls_key_file, or a proxy in front that has them",
            "without them the token can be read on its way",
            "warning",
        )
    if (page.tls_certificate_file is None) != (page.tls_key_file is None):
        yield Finding(("page",), "one half of a pair", "tls_certificate_file and tls_key_file together")
