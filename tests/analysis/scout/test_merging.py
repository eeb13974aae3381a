"""Places written into settings: only that key is new, whatever the text looks like; else the text stays as it was."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.analysis.scout.draft import quoted
from wattround.analysis.scout.merging import Written, merged
from wattround.config.load import examine_text

HOUSE = '[house]\nid = "h"\ntime_zone = "UTC"\ncurrency = "EUR"\nprice_per_kwh = 0.2\n'
IN = Written("board", "sure: 5 of 5 moves")


def meters(text):
    return tomllib.loads(text)["meters"]


def test_an_entry_gets_a_line_below_its_name_and_nothing_else_changes():
    text = f'{HOUSE}# the board\n[[meters]]\nname = "board"\npower = {{ topic = "b" }}\n\n[[meters]]\nname = "tv"   # loud\npower = {{ topic = "t" }}\n'
    done = merged(text, {"tv": IN})

    assert done.left == ()
    assert done.text == text.replace(
        'name = "tv"   # loud\n', 'name = "tv"   # loud\nwithin = "board"    # sure: 5 of 5 moves\n'
    )
    assert examine_text(done.text)[0] == []


def test_the_question_of_a_draft_gives_way_to_its_answer():
    text = f'{HOUSE}[[meters]]\nname = "tv"\n# within = "garage"    # ?\npower = {{ topic = "t" }}\n[[meters]]\nname = "fan"\n# within = "x"   # ?\n'
    done = merged(text, {"tv": IN})

    assert done.text == text.replace('# within = "garage"    # ?', 'within = "board"    # sure: 5 of 5 moves')


@pytest.mark.parametrize(
    "entries",
    [
        'meters = [\n    { name = "board", power = { topic = "b" } },\n    { name = "tv", power = { topic = "t" } },\n]\n',
        "meters = [{ name = 'board', power = { topic = 'b' } }, { name = 'tv', power = { topic = 't' } }]\n",
        'meters = [{ power = { topic = "b" }, name = "board" }, { power = { topic = "t" }, name = "tv" }]\n',
    ],
)
def test_short_tables_get_it_beside_the_name(entries):
    text = entries + HOUSE
    done = merged(text, {"tv": IN})

    assert done.left == ()
    assert [each.get("within") for each in meters(done.text)] == [None, "board"]
    assert len(done.text.splitlines()) == len(text.splitlines())


def test_a_captured_meter_gets_an_entry_of_its_own_if_one_pattern_feeds_all():
    pattern = '[[meters]]\nname = "{plug}"\npower = { topic = "p/{plug}" }\n'
    done = merged(HOUSE + pattern, {"tv": IN})

    assert meters(done.text)[1:] == [{"name": "tv", "within": "board"}]
    two = HOUSE + pattern + pattern.replace("plug", "other").replace("p/", "o/")
    assert merged(two, {"tv": IN}) == (two, ("tv",))
    short = 'meters = [{ name = "{plug}", power = { topic = "p/{plug}" } }]\n' + HOUSE
    assert merged(short, {"tv": IN}) == (short, ("tv",))


def test_text_that_only_looks_like_an_entry_is_left_alone():
    text = f'{HOUSE}name = """\n[[meters]]\nname = "tv"\n"""\n[[meters]]\nname = "tv"\nlabel = """\n[\nwithin = """\n'
    done = merged(text, {"tv": IN})

    assert meters(done.text) == [{"name": "tv", "label": "[\nwithin = ", "within": "board"}]


@given(name=st.text(min_size=1, max_size=12), label=st.text(max_size=30), because=st.text(max_size=30))
def test_whatever_the_names_are_only_that_key_is_new(name, label, because):
    if any(0xD800 <= ord(sign) < 0xE000 for sign in name + label):
        return
    text = (
        f"{HOUSE}[[meters]]\nlabel = {quoted(label)}\nname = {quoted(name)}\n[[meters]]\nname = 'another {len(name)}'\n"
    )
    done = merged(text, {name: Written("board", because)})
    before = meters(text)

    assert done.left == ()
    assert meters(done.text) == [{**before[0], "within": "board"}, before[1]]
