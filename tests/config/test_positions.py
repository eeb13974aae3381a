"""Where keys stand: compared with tomllib on documents made at random, and on awkward ones."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from wattround.config.positions import Positions

bare = st.text("abcdefgh-_0123456789", min_size=1, max_size=6)
words = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12)


def quoted(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


scalars = st.one_of(
    st.integers(-1000, 1000).map(str),
    st.booleans().map(lambda value: str(value).lower()),
    words.map(quoted),
    words.filter(lambda text: "'" not in text).map(lambda text: f"'{text}'"),
    words.map(lambda text: '"""\n' + text.replace("\\", "").replace('"', "") + "\n# [not] = a.key\n" + '"""'),
    st.just("'''\n[[nothing]]\nx = 1\n'''"),
)
arrays = st.lists(scalars, max_size=4).map(lambda items: "[\n  " + ",  # a comment = [\n  ".join([*items, ""]) + "\n]")
inline = st.dictionaries(bare, st.integers(0, 9).map(str), max_size=3).map(
    lambda items: "{ " + ", ".join(f"{key} = {value}" for key, value in items.items()) + " }"
)
values = st.one_of(scalars, arrays, inline)


@st.composite
def documents(draw):
    """A TOML text, and the line of each key written in it."""
    lines, where = [], {}

    def put(text):
        lines.extend(text.split("\n"))

    def keys(path, count):
        for key in draw(st.lists(bare, unique=True, max_size=count)):
            written = key if draw(st.booleans()) else quoted(key)
            where[(*path, key)] = len(lines) + 1
            put(f"{written} = {draw(values)}")
            if draw(st.booleans()):
                put(draw(st.sampled_from(["", "# comment [x] y = 1", "   "])))

    keys((), 3)
    for name in draw(st.lists(bare.map(lambda text: "t" + text), unique=True, max_size=3)):
        if draw(st.booleans()):
            where[(name,)] = len(lines) + 1
            put(f"[{name}]")
            keys((name,), 3)
        else:
            for index in range(draw(st.integers(1, 3))):
                where[(name, index)] = len(lines) + 1
                put(f"[[ {name} ]]  # entry")
                keys((name, index), 2)
    return "\n".join(lines), where


@given(documents())
def test_every_key_is_found_on_its_line(document):
    text, where = document
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # keys that clash; not a document

    positions = Positions(text)

    assert {path: positions.line(path) for path in where} == where


def test_a_value_within_an_inline_table_is_on_its_tables_line():
    positions = Positions('\n[[meters]]\nname = "a"\npower = { topic = "x", unit = "W" }\n')

    assert positions.line(("meters", 0, "power", "unit")) == 4
    assert positions.line(("meters", 0, "nowhere")) == 2
    assert positions.line(("nothing",)) == 1


def test_tables_of_an_array_entry_belong_to_that_entry():
    text = "[[a]]\nx = 1\n[a.b]\ny = 2\n[[a]]\n[a.b]\ny = 3\nc.d = 4\n"
    positions = Positions(text)

    assert positions.line(("a", 0, "b", "y")) == 4
    assert positions.line(("a", 1, "b", "y")) == 7
    assert positions.line(("a", 1, "b", "c", "d")) == 8
