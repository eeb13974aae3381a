"""What is heard of people and signals is written down, so that rules can be rehearsed on it: enough, and not too much."""

from hypothesis import given
from hypothesis import strategies as st

from support.house import TV_RULE, settings_of
from wattround.core.hearsay import Hearsay, spacing_ms
from wattround.ingest.feed import Router

SIGNALS = (
    TV_RULE + '[[signals]]\nname = "window"\ntopic = "s/window"\n[[signals]]\nname = "outdoor"\ntopic = "s/outdoor"\n'
)
MINUTE = 60_000


class Notebook:
    """Hearsay and what it wrote down."""

    def __init__(self):
        settings = settings_of(SIGNALS)
        self.hearsay = Hearsay(settings)
        self.hearsay.configure(settings)
        self.router = Router(settings)
        self.rows = []

    def hear(self, topic, word, at_ms, *, retained=False):
        (feed,) = self.router.exact[topic]
        row = self.hearsay.take(feed, word.encode(), at_ms, retained=retained)
        self.rows += [row] if row else []

    def minute(self, at_ms):
        self.rows += self.hearsay.held_back(at_ms)

    def said(self):
        return [(row.at_ms, row.value) for row in self.rows]


def test_a_change_is_written_at_once_and_a_repeat_now_and_then():
    book = Notebook()
    for at_ms in range(0, 60 * MINUTE, MINUTE):
        book.hear("s/window", "closed", at_ms)
    book.hear("s/window", "open", 60 * MINUTE)

    assert book.said() == [(at * MINUTE, "closed") for at in (0, 15, 30, 45)] + [(60 * MINUTE, "open")]


def test_a_number_that_changes_all_the_time_is_written_once_a_minute_and_its_last_value_is_kept():
    book = Notebook()
    for at_ms in range(0, 10 * MINUTE, 1000):
        if at_ms % MINUTE == 0:
            book.minute(at_ms)
        book.hear("s/outdoor", str(at_ms / 1000), at_ms)
    book.minute(11 * MINUTE)

    assert len(book.rows) <= 12
    assert book.said()[-1] == (599_000, "599.0")


def test_a_retained_repeat_is_no_news():
    book = Notebook()
    book.hear("p/imre", "home", 0)
    book.hear("p/imre", "home", 40 * MINUTE, retained=True)

    assert book.said() == [(0, "home")]


words = st.lists(st.tuples(st.integers(0, 200_000), st.sampled_from(["open", "closed", "1.5", "2"])), max_size=60)


@given(words)
def test_what_was_written_ends_as_what_was_heard(told):
    """After a quiet minute the notebook's last word is the signal's, no word is invented, and none comes too often."""
    book, now, heard = Notebook(), 0, []
    for gap, word in told:
        for minute in range(now // MINUTE + 1, (now + gap) // MINUTE + 1):
            book.minute(minute * MINUTE)
        now += gap
        book.hear("s/window", word, now)
        heard.append((now, word))
    book.minute(now + 10 * MINUTE)

    said = book.said()
    assert set(said) <= set(heard)
    assert [value for _, value in said[-1:]] == [value for _, value in heard[-1:]]
    times = [at for at, _ in said]
    assert times == sorted(times)
    assert len(said) <= 2 + now / spacing_ms("open")
