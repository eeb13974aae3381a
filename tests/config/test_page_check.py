"""The page's settings: on this machine alone unless there is a token; off by one line; every mistake with its line."""

import pytest

from wattround.config.load import examine_text
from wattround.config.page import place_of

HOUSE = """[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[[meters]]
name = "tv"
power = { topic = "t/tv" }
"""


def found(text):
    problems, settings = examine_text(HOUSE + text)
    return [(problem.severity, problem.line, problem.key, problem.found) for problem in problems], settings


def test_there_is_a_page_on_this_machine_if_nothing_is_said():
    problems, settings = found("")

    assert problems == []
    assert (settings.page.place.address, settings.page.place.port, settings.page.place.loopback) == (
        "127.0.0.1",
        9288,
        True,
    )
    assert not settings.page.has_token


def test_one_line_turns_it_off():
    problems, settings = examine_text('page.listen = "off"\n' + HOUSE)

    assert problems == []
    assert settings.page.place is None


@pytest.mark.parametrize("address", ["0.0.0.0", "[::]", "192.168.7.5", "[fd00::1]"])
def test_another_address_needs_a_token_and_should_have_tls(address):
    line = f'[page]\nlisten = "{address}:9288"\n'
    [error], _ = found(line)
    assert error == ("error", 10, "page.listen", f'"{address}:9288"')

    [warning], settings = found(line + 'token_file = "/secret"\n')
    assert warning[:3] == ("warning", 10, "page.listen")
    assert settings is not None
    pair = 'tls_certificate_file = "/cert"\ntls_key_file = "/key"\n'
    assert found(line + 'token_file = "/secret"\n' + pair)[0] == []


@pytest.mark.parametrize("address", ["127.0.0.1", "127.9.9.9", "[::1]"])
def test_loopback_needs_none(address):
    assert found(f'[page]\nlisten = "{address}:9288"\n')[0] == []


@pytest.mark.parametrize(
    "listen",
    ["", "9288", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:65536", "127.0.0.1:x", "::1:9288", "localhost:9288",
     "127.0.0.1:9288 ", "[127.0.0.1]:9288", "127.0.0.1:-9288", "127.0.0.1:٩٢٨٨", "OFF"],
)  # fmt: skip
def test_what_is_no_address_is_said(listen):
    [problem], _ = found(f'[page]\nlisten = "{listen}"\n')
    assert problem[:3] == ("error", 10, "page.listen")


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ('prefix = "/"', "page.prefix"), ('prefix = "wattround"', "page.prefix"), ('prefix = "/a/"', "page.prefix"),
        ('prefix = "/a b"', "page.prefix"), ('prefix = "/<script>"', "page.prefix"),
        ('names = ["a b"]', "page.names[1]"), ('names = ["house:9288"]', "page.names[1]"),
        ('names = ["*.example"]', "page.names[1]"), ('tls_key_file = "/key"', "page"),
        ('token = "secret of the house"', "page.token"), ("listen_on = 1", "page.listen_on"),
    ],
)  # fmt: skip
def test_other_mistakes_are_found(line, key):
    [problem], _ = found(f"[page]\n{line}\n")
    assert problem[2] == key
    assert "secret of the house" not in str(problem)


def test_two_sources_of_a_token_are_one_too_many():
    assert ("error", 10, "page.token_file") in {
        each[:3] for each in found('[page]\ntoken_file = "/a"\ntoken_credential = "b"\n')[0]
    }


def test_an_address_is_written_in_a_url_as_rfc_3986_has_it():
    """3.2.2: an IPv6 address stands in brackets."""
    assert place_of("[::1]:9288").authority == "[::1]:9288"
    assert place_of("127.0.0.1:9288").authority == "127.0.0.1:9288"
