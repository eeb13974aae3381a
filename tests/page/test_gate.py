"""The gate: other names, other pages and other tokens are refused, and the cookie is not the token."""

import pytest

from wattround.config.page import Page
from wattround.config.secrets import MissingSecret
from wattround.page.gate import COOKIE_S, Gate

TOKEN = "a secret of the house"


def gate(folder=None, listen="127.0.0.1:9288", **more):
    if folder is not None:
        (folder / "token").write_text(more.pop("token", TOKEN) + "\n")
        more["token_file"] = str(folder / "token")
    page = Page(listen=listen, **more)
    return Gate(page, page.place)


@pytest.mark.parametrize(
    "host", ["127.0.0.1:9288", "localhost", "LOCALHOST:9288", "[::1]:9288", "127.0.0.1", "house.lan:80"]
)
def test_a_page_on_this_machine_answers_to_its_own_names(host):
    assert gate(names=("house.lan",)).refusal("GET", {"host": host}) is None


@pytest.mark.parametrize(
    "host", ["", "evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "192.168.0.9", "[::1", "127.1", "a@b:c",
             "2130706433"],
)  # fmt: skip
def test_another_name_is_refused_since_it_may_have_been_made_to_point_here(host):
    """DNS rebinding: the address is ours, the page that asks is not; what the browser calls us gives it away."""
    refused = gate(names=("house.lan",)).refusal("GET", {"host": host})
    assert refused.status == 421  # Misdirected Request, RFC 9110, 15.5.20


def test_a_page_for_others_answers_to_addresses_and_named_names_only(tmp_path):
    open_gate = gate(tmp_path, "0.0.0.0:9288", names=("house.lan",))
    for host in ("192.168.0.9:9288", "[fe80::1]:9288", "house.lan:9288", "localhost"):
        assert open_gate.refusal("GET", {"host": host}) is None
    assert open_gate.refusal("GET", {"host": "evil.example"}).status == 421


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({}, True),
        ({"origin": "http://localhost:9288"}, True),
        ({"origin": "https://localhost:9288"}, True),  # a proxy took the encryption off
        ({"origin": "http://LOCALHOST:9288"}, True),
        ({"origin": "http://localhost"}, False),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://localhost:9288.evil.example"}, False),
        ({"origin": ""}, False),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "same-origin"}, True),
    ],
)
def test_only_the_page_itself_may_change_something(headers, allowed):
    refused = gate().refusal("POST", {"host": "localhost:9288", **headers})
    assert (refused is None) == allowed
    assert refused is None or refused.status == 403


def test_the_token_is_asked_for_and_the_cookie_does_not_have_it(tmp_path):
    one = gate(tmp_path)

    assert one.asks
    assert one.check(TOKEN, "a", 0.0) is None
    assert one.check(TOKEN + " ", "a", 0.0).status == 401
    assert one.check("", "a", 0.0).status == 401
    assert one.check("ü" * 40, "a", 0.0).status == 401
    assert one.knows(one.cookie)
    assert not one.knows("")
    assert not one.knows(TOKEN)
    assert TOKEN not in one.set_cookie()


def test_the_cookie_is_for_this_page_alone_and_ends_with_the_token(tmp_path):
    """RFC 6265bis: HttpOnly, SameSite=Strict; Secure where the page itself is encrypted."""
    cookie = gate(tmp_path).set_cookie()
    assert cookie.endswith(f"; Path=/; Max-Age={COOKIE_S}; HttpOnly; SameSite=Strict")
    sealed = gate(tmp_path, prefix="/watt", tls_certificate_file="c", tls_key_file="k").set_cookie()
    assert "; Path=/watt; " in sealed
    assert sealed.endswith("; Secure")
    assert not gate(tmp_path, token="another secret of ours").knows(gate(tmp_path, token=TOKEN).cookie)


def test_after_some_wrong_tokens_none_is_looked_at_for_a_while(tmp_path):
    one = gate(tmp_path)
    for _ in range(6):
        one.check("wrong", "a", 0.0)
    refused = one.check(TOKEN, "a", 0.5)

    assert (refused.status, refused.wait_s) == (429, 1)
    assert one.check(TOKEN, "b", 0.5) is None
    assert one.check(TOKEN, "a", 2.5) is None


@pytest.mark.parametrize("text", ["short", "fifteen letters"])
def test_a_short_token_is_none(tmp_path, text):
    with pytest.raises(MissingSecret, match=f"{len(text)} characters; at least 16"):
        gate(tmp_path, token=text)


def test_a_token_that_cannot_be_read_is_told_with_its_place():
    with pytest.raises(MissingSecret, match="/nowhere/token: No such file"):
        gate(token_file="/nowhere/token")
