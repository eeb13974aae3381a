"""What is wrong with [letter], said with what would be right."""

import pytest

from support.house import HEAD, TV_RULE, settings_of
from wattround.config.load import examine_text

CHANNELS = """
[[channels]]
name = "mail"
url_file = "/nowhere"
[[channels]]
name = "hub"
mqtt = true
"""


def problems(letter):
    found, _ = examine_text(HEAD + letter + TV_RULE + CHANNELS)
    return [(each.key, each.found, each.expected) for each in found if each.severity == "error"]


def test_it_is_off_unless_there_is_a_section():
    assert settings_of(TV_RULE + CHANNELS).letter is None


def test_it_is_for_monday_at_seven():
    found = settings_of('[letter]\nchannels = ["mail"]\n' + TV_RULE + CHANNELS).letter
    assert (found.day, found.at, found.channels) == ("mon", 420, ("mail",))


@pytest.mark.parametrize(
    ("letter", "key", "found", "expected"),
    [
        ('channels = ["post"]', "letter.channels[1]", '"post"', "the name of a channel with a URL: mail"),
        ('channels = ["hub"]', "letter.channels[1]", '"hub", which is MQTT', "a channel with a URL: mail"),
        ('channels = ["mail", "mail"]', "letter.channels[2]", '"mail"', "each channel once"),
        ('channels = ["mail"]\nat = "24:30"', "letter.at", '"24:30"', "a time before midnight"),
        (
            'channels = ["mail"]\nday = "monday"',
            "letter.day",
            '"monday"',
            "a weekday: mon, tue, wed, thu, fri, sat, sun",
        ),
        ("channels = []", "letter.channels", "an empty list", "at least one entry"),
        ('day = "mon"', "letter.channels", "nothing", "the key channels"),
    ],
)
def test_what_is_wrong_is_said(letter, key, found, expected):
    assert problems(f"[letter]\n{letter}\n") == [(key, found, expected)]
