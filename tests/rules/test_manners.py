"""Manners: what is held back, gathered, merged, reminded of, capped and hushed."""

import json

import pytest

from support.rules import BERLIN, DAY, HOUR, MINUTE, SECOND, daily, ms
from wattround.rules.engine import EpisodeNews
from wattround.rules.hush import Hush
from wattround.rules.manners import Manners, RuleWays, Ways
from wattround.rules.marks import Edges
from wattround.rules.signals import FOREVER_MS

NOON = ms("2026-06-12 12:00")
NIGHT = ms("2026-06-12 23:00")
RISING = ms("2026-06-13 07:00")
QUIET = Edges(daily("22:00"), daily("07:00"))
GATHER = 30 * SECOND


class Table:
    """A house's manners, and the people at it."""

    def __init__(self, *, quiet=QUIET, urgency="normal", channels=("phone",), most=8, reminders=2, once=False):
        self.ways = Ways(BERLIN, quiet, daily("08:00"), GATHER, reminders)
        self.rules = {"r": RuleWays(urgency, channels, 3 * HOUR, once), "s": RuleWays("normal", ("phone",), 3 * HOUR)}
        self.channels = dict.fromkeys(("phone", "mail"), most)
        self.manners = Manners(self.ways, self.rules, self.channels)
        self.open = {}
        self.unsent = set()

    def raised(self, at_ms, rule="r", load="tv", waste=10):
        news = EpisodeNews("raised", rule, load, at_ms - 10 * MINUTE, at_ms, at_ms, waste, None)
        self.open[rule, load] = news
        self.manners.hear(news)

    def settled(self, at_ms, rule="r", load="tv", reason="level", waste=20):
        news = self.open.pop((rule, load))
        self.manners.hear(news._replace(what="settled", at_ms=at_ms, waste_uwh=waste, reason=reason))

    def open_now(self, rule, load):
        news = self.open.get((rule, load))
        return None if news is None else news._replace(at_ms=self.now, waste_uwh=15)

    def withdraw(self, channel, ref):
        if (channel, ref) in self.unsent:
            self.unsent.remove((channel, ref))
            return True
        return False

    def speak(self, at_ms, *, sent=True):
        self.now = at_ms
        found = self.manners.speak(at_ms, self.open_now, self.withdraw)
        for bulletin in found:
            if sent:
                self.manners.delivered(bulletin.channel, bulletin.ref)
            else:
                self.unsent.add((bulletin.channel, bulletin.ref))
        return found

    def says(self, at_ms, *, sent=True):
        """In short: kind, and what of which load."""
        return [(found.kind, *map(short, found.items)) for found in self.speak(at_ms, sent=sent)]

    def day(self, from_ms, to_ms):
        """All that is said whenever there is something to say, with its time."""
        found = []
        while (at_ms := max(from_ms, self.manners.next_ms())) < to_ms:
            found += [(at_ms, *said) for said in self.says(at_ms)]
            from_ms = at_ms + 1
        return found

    def restart(self):
        saved = json.loads(json.dumps(self.manners.snapshot()))
        self.manners = Manners(self.ways, self.rules, self.channels)
        self.manners.restore(saved)


def short(item):
    words = [
        "raised" if item.raised else "",
        "over" if item.settled else "",
        f"reminder {item.reminder}" if item.reminder else "",
    ]
    return f"{item.key[1]} {' '.join(filter(None, words))}"


# -- urgency ------------------------------------------------------------------------------------------


def test_what_is_normal_is_told_after_the_gathering():
    table = Table()
    table.raised(NOON)

    assert table.manners.next_ms() == NOON + GATHER
    assert table.says(NOON + GATHER - 1) == []
    assert table.says(NOON + GATHER) == [("news", "tv raised")]


def test_what_is_urgent_is_told_at_once_even_at_night():
    table = Table(urgency="urgent")
    table.raised(NIGHT)

    assert table.says(NIGHT) == [("news", "tv raised")]


def test_what_is_for_the_digest_waits_for_the_next_one():
    table = Table(urgency="digest")
    table.raised(NOON)

    assert table.manners.next_ms() == RISING
    assert table.says(RISING) == [("digest", "tv raised")]


def test_without_quiet_hours_the_digest_is_at_its_hour():
    table = Table(urgency="digest", quiet=None)
    table.raised(NOON)
    assert table.manners.next_ms() == ms("2026-06-13 08:00")

    early = Table(urgency="digest", quiet=None)
    early.raised(ms("2026-06-12 07:59"))
    assert early.manners.next_ms() == ms("2026-06-12 08:00")


def test_a_rule_is_told_only_on_its_own_channels():
    table = Table(channels=("mail",))
    table.raised(NOON)

    assert [found.channel for found in table.speak(NOON + GATHER)] == ["mail"]


def test_on_several_channels_each_has_a_message_of_its_own():
    table = Table(channels=("phone", "mail"))
    table.raised(NOON)

    found = table.speak(NOON + GATHER)
    assert {each.channel for each in found} == {"phone", "mail"}
    assert len({each.ref for each in found}) == 2


# -- quiet hours --------------------------------------------------------------------------------------


def test_at_night_everything_waits_for_one_digest_at_rising():
    table = Table()
    table.raised(NIGHT, load="tv")
    table.raised(NIGHT + HOUR, load="lamp")
    table.raised(NIGHT + 2 * HOUR, load="heater")
    table.settled(NIGHT + 3 * HOUR, load="lamp")

    assert table.day(NIGHT, RISING + HOUR) == [(RISING, "digest", "heater raised", "tv raised", "lamp raised over")]


def test_what_the_gathering_would_carry_into_the_quiet_hours_waits_too():
    table = Table()
    begin = ms("2026-06-12 22:00")
    table.raised(begin - 10 * SECOND)

    assert table.day(begin - 10 * SECOND, RISING + 1) == [(RISING, "digest", "tv raised")]


def test_an_end_that_is_only_known_in_quiet_hours_waits_too():
    """It ended two minutes before they begin: that is known when the release is over."""
    table = Table()
    begin = ms("2026-06-12 22:00")
    table.raised(begin - HOUR)
    table.says(begin - 30 * MINUTE)
    table.settled(begin - MINUTE)

    assert table.says(begin + MINUTE) == []
    assert table.says(RISING) == [("digest", "tv over")]


def test_a_digest_that_was_slept_through_is_not_told_in_the_next_night():
    table = Table()
    table.raised(NIGHT)
    table.restart()  # the daemon was away for a day

    assert table.says(NIGHT + DAY) == []
    assert table.says(RISING + DAY) == [("digest", "tv raised")]


def test_what_is_urgent_at_night_does_not_take_along_what_may_wait():
    table = Table(urgency="urgent", reminders=0)
    begin = ms("2026-06-12 22:00")
    table.raised(begin - 10 * SECOND, rule="s", load="lamp")
    table.raised(begin + 5 * SECOND)

    assert table.says(begin + 5 * SECOND) == [("news", "tv raised")]
    assert table.says(RISING) == [("digest", "lamp raised")]


def test_a_digest_tells_what_goes_on_as_it_stands_then():
    table = Table()
    table.raised(NIGHT, waste=10)

    (bulletin,) = table.speak(RISING)
    (item,) = bulletin.items
    assert (item.news.at_ms, item.news.waste_uwh) == (RISING, 15)
    assert item.raised.at_ms == NIGHT


# day lengths by the rules of the tz database
@pytest.mark.parametrize(
    ("eve", "morning", "hours"), [("2025-03-29", "2025-03-30", 8), ("2025-10-25", "2025-10-26", 10)]
)
def test_quiet_hours_end_by_the_clock_when_it_changes(eve, morning, hours):
    table = Table()
    table.raised(ms(f"{eve} 22:00"))

    assert table.manners.next_ms() == ms(f"{morning} 07:00") == ms(f"{eve} 22:00") + hours * HOUR


# -- gathering and merging ----------------------------------------------------------------------------


def test_what_becomes_true_together_is_told_together_the_costliest_first():
    table = Table()
    table.raised(NOON, load="lamp", waste=5)
    table.raised(NOON + 20 * SECOND, load="heater", waste=50)

    table.open.clear()  # so that the waste told is that of the raise
    assert table.says(NOON + GATHER) == [("news", "heater raised", "lamp raised")]
    assert table.says(NOON + 2 * GATHER) == []


def test_what_is_urgent_takes_along_what_waits_to_be_gathered():
    table = Table(urgency="urgent")
    table.raised(NOON, rule="s", load="lamp")
    table.raised(NOON + SECOND)

    assert table.says(NOON + SECOND) == [("news", "tv raised", "lamp raised")]
    assert table.says(NOON + GATHER) == []


def test_a_raise_that_is_over_before_it_is_told_is_one_item():
    table = Table()
    table.raised(NOON)
    table.settled(NOON + 10 * SECOND)

    assert table.says(NOON + GATHER) == [("news", "tv raised over")]
    assert table.says(NOON + DAY) == []


def test_an_end_is_told_after_its_beginning_was():
    table = Table()
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.settled(NOON + HOUR)

    assert table.says(NOON + HOUR + GATHER) == [("news", "tv over")]


def test_an_end_takes_back_the_beginning_that_was_not_sent_yet_and_tells_both():
    table = Table()
    table.raised(NOON, load="tv")
    table.raised(NOON, load="lamp")
    table.says(NOON + GATHER, sent=False)
    table.settled(NOON + HOUR, load="tv")

    assert table.says(NOON + HOUR + GATHER, sent=False) == [("news", "lamp raised", "tv raised over")]
    assert table.unsent == {("phone", 2)}

    table.settled(NOON + 2 * HOUR, load="lamp")
    assert table.says(NOON + 2 * HOUR + GATHER) == [("news", "lamp raised over", "tv raised over")]
    assert table.unsent == set()


def test_a_beginning_that_is_on_its_way_is_not_taken_back():
    table = Table()
    table.raised(NOON)
    table.says(NOON + GATHER, sent=False)
    table.unsent.clear()
    table.settled(NOON + HOUR)

    assert table.says(NOON + HOUR + GATHER) == [("news", "tv over")]


def test_what_is_taken_back_goes_along_with_what_waits_for_the_same_episodes():
    """The heater's end waits to be gathered while the digest takes back the message that told both beginnings."""
    table = Table(urgency="digest", reminders=0)
    table.raised(NOON, load="tv")
    table.raised(NIGHT, rule="s", load="heater")
    table.says(RISING, sent=False)
    table.settled(RISING + HOUR, load="tv")
    table.settled(RISING + DAY - GATHER // 2, rule="s", load="heater")

    assert table.says(RISING + DAY) == [("digest", "tv raised over", "heater raised over")]
    assert table.says(RISING + DAY + GATHER) == []


def test_an_end_of_what_was_never_told_is_not_told_either():
    table = Table(channels=())
    table.raised(NOON)
    table.settled(NOON + HOUR)

    assert table.manners.next_ms() == FOREVER_MS


def test_a_count_that_passed_its_bound_is_told_once_without_an_end():
    table = Table(once=True)
    table.raised(NOON)
    assert table.says(NOON + GATHER) == [("news", "tv raised")]
    assert table.day(NOON + GATHER, NOON + 20 * DAY) == []
    table.settled(NOON + 20 * DAY, reason="usage")
    assert table.day(NOON + 20 * DAY, NOON + 40 * DAY) == []


def test_a_count_that_was_taken_back_is_told_though_its_end_is_not():
    table = Table(once=True)
    table.raised(NOON)
    table.raised(NOON, rule="s", load="lamp")
    table.says(NOON + GATHER, sent=False)
    table.settled(NOON + HOUR, reason="usage")
    table.settled(NOON + 2 * HOUR, rule="s", load="lamp")

    assert table.says(NOON + 2 * HOUR + GATHER) == [("news", "tv raised", "lamp raised over")]
    assert table.day(NOON + 3 * HOUR, NOON + 20 * DAY) == []


# -- reminders ----------------------------------------------------------------------------------------


def test_reminders_come_at_growing_intervals_and_have_an_end():
    table = Table(quiet=None)
    table.raised(NOON)

    first = NOON + GATHER + 3 * HOUR + GATHER
    second = first - GATHER + 6 * HOUR + GATHER
    assert table.day(NOON, NOON + 30 * DAY) == [
        (NOON + GATHER, "news", "tv raised"),
        (first, "news", "tv reminder 1"),
        (second, "news", "tv reminder 2"),
    ]


def test_a_reminder_tells_how_it_stands_now():
    table = Table(quiet=None)
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.says(NOON + GATHER + 3 * HOUR)

    (bulletin,) = table.speak(NOON + 4 * HOUR)
    assert bulletin.items[0].news.at_ms == NOON + 4 * HOUR


def test_without_reminders_none_come():
    table = Table(reminders=0)
    table.raised(NOON)

    assert table.day(NOON, NOON + 30 * DAY) == [(NOON + GATHER, "news", "tv raised")]


def test_nobody_is_reminded_of_what_is_over():
    table = Table(quiet=None)
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.settled(NOON + HOUR)

    assert table.day(NOON + HOUR, NOON + 30 * DAY) == [(NOON + HOUR + GATHER, "news", "tv over")]


def test_a_reminder_in_quiet_hours_waits_for_the_digest_unless_it_is_urgent():
    evening = ms("2026-06-12 21:00")
    calm, urgent = Table(), Table(urgency="urgent")
    for table in (calm, urgent):
        table.raised(evening)
        table.says(evening + GATHER)

    assert calm.day(evening + GATHER, RISING + 1) == [(RISING, "digest", "tv reminder 1")]
    assert urgent.day(evening + GATHER, RISING)[0] == (evening + GATHER + 3 * HOUR, "news", "tv reminder 1")


def test_a_reminder_that_waits_gives_way_to_the_end():
    evening = ms("2026-06-12 21:00")
    table = Table()
    table.raised(evening)
    table.says(evening + GATHER)
    table.day(evening + GATHER, RISING - HOUR)
    table.settled(RISING - HOUR)

    assert table.says(RISING) == [("digest", "tv over")]


def test_nobody_is_reminded_of_what_has_not_arrived():
    table = Table(quiet=None)
    table.raised(NOON)
    (bulletin,) = table.speak(NOON + GATHER, sent=False)
    assert table.day(NOON + GATHER, NOON + 20 * HOUR) == []

    table.manners.delivered("phone", bulletin.ref)
    assert [said[2] for said in table.day(NOON + 20 * HOUR, NOON + 30 * DAY)] == ["tv reminder 1", "tv reminder 2"]


# -- the most messages a day --------------------------------------------------------------------------


def test_beyond_the_days_most_messages_wait_for_the_digest_which_says_how_many():
    table = Table(most=2, reminders=0)
    said = []
    for number in range(4):
        table.raised(NOON + number * HOUR, load=f"load{number}")
        said += table.says(NOON + number * HOUR + GATHER)

    assert said == [("news", "load0 raised"), ("news", "load1 raised")]
    (digest,) = table.speak(RISING)
    assert (digest.kind, digest.capped) == ("digest", 2)
    assert sorted(map(short, digest.items)) == ["load2 raised", "load3 raised"]


def test_what_is_urgent_passes_the_days_most():
    table = Table(most=1, urgency="urgent", reminders=0)
    for number in range(3):
        table.raised(NOON + number * HOUR, load=f"load{number}")
        assert len(table.says(NOON + number * HOUR)) == 1
    table.raised(NOON + 5 * HOUR, rule="s", load="lamp")

    assert table.says(NOON + 5 * HOUR + GATHER) == []


def test_the_days_most_begins_anew_at_local_midnight():
    table = Table(most=1, quiet=None)
    said = []
    for load, clock in (("a", "2026-06-12 23:00"), ("b", "2026-06-12 23:30"), ("c", "2026-06-13 00:00")):
        table.raised(ms(clock), load=load)
        said += table.says(ms(clock) + GATHER)

    assert said == [("news", "a raised"), ("news", "c raised")]


def test_each_channel_has_its_own_most():
    table = Table(most=1, channels=("phone", "mail"))
    table.raised(NOON, rule="s", load="lamp")  # on the phone only
    table.says(NOON + GATHER)
    table.raised(NOON + HOUR)

    assert [found.channel for found in table.speak(NOON + HOUR + GATHER)] == ["mail"]


# -- hushes -------------------------------------------------------------------------------------------


def test_what_is_hushed_is_not_told():
    table = Table()
    table.manners.hush(Hush("r", None, "good"))
    table.raised(NOON)
    table.settled(NOON + HOUR)

    assert table.day(NOON, NOON + 30 * DAY) == []


def test_a_hush_takes_back_what_waits_to_be_told():
    table = Table()
    table.raised(NOON)
    table.manners.hush(Hush("r", "tv", "good"))

    assert table.day(NOON, NOON + 30 * DAY) == []


def test_what_is_still_open_when_a_hush_for_a_time_is_over_is_told():
    table = Table()
    table.manners.hush(Hush("r", None, "time", NOON + HOUR))
    table.raised(NOON)

    assert table.day(NOON, NOON + 2 * HOUR) == [(NOON + HOUR + GATHER, "news", "tv raised")]


def test_what_was_told_before_the_hush_is_not_told_again_when_it_is_over():
    table = Table()
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.manners.hush(Hush("r", None, "time", NOON + HOUR))

    assert table.day(NOON + MINUTE, NOON + 3 * HOUR) == []


def test_what_was_over_before_the_hush_was_over_is_never_told():
    table = Table()
    table.manners.hush(Hush("r", None, "time", NOON + 2 * HOUR))
    table.raised(NOON)
    table.settled(NOON + HOUR)

    assert table.day(NOON, NOON + 30 * DAY) == []


def test_lifting_a_hush_tells_what_is_open():
    table = Table()
    table.manners.hush(Hush("r", None, "good"))
    table.raised(NOON)
    table.manners.unhush("r", None, NOON + HOUR)

    assert table.says(NOON + HOUR + GATHER) == [("news", "tv raised")]


def test_what_another_hush_still_covers_is_not_told():
    table = Table()
    table.manners.hush(Hush("r", None, "good"))
    table.manners.hush(Hush("r", "tv", "good"))
    table.raised(NOON)
    table.manners.unhush("r", "tv", NOON)

    assert table.day(NOON, NOON + 30 * DAY) == []


def test_reminders_are_hushed_too():
    table = Table(quiet=None)
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.manners.hush(Hush("r", "tv", "good"))

    assert table.day(NOON + MINUTE, NOON + 30 * DAY) == []


def test_until_off_lasts_until_the_episode_settles_and_then_speaks_again():
    table = Table()
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.manners.hush(Hush("r", "tv", "off"))
    table.settled(NOON + HOUR)
    table.raised(NOON + 2 * HOUR)

    assert table.day(NOON + MINUTE, NOON + 3 * HOUR) == [(NOON + 2 * HOUR + GATHER, "news", "tv raised")]


def test_until_off_is_not_ended_by_a_flicker_within_an_open_episode():
    table = Table()
    table.raised(NOON)
    table.manners.hush(Hush("r", "tv", "off"))
    table.manners.load_is_off("tv", ["r"])

    assert table.manners.hushes.covers("r", "tv")


@pytest.mark.parametrize("load", ["tv", None])
def test_until_off_ends_with_the_load_where_nothing_is_open(load):
    table = Table()
    table.manners.hush(Hush("r", load, "off"))
    table.manners.load_is_off("refrigerator", ["s"])
    assert table.manners.hushes.covers("r", "tv")

    table.manners.load_is_off("tv", ["r", "s"])
    assert not table.manners.hushes.covers("r", "tv")


def test_until_off_outlasts_an_episode_that_ends_for_another_reason():
    table = Table()
    table.raised(NOON)
    table.manners.hush(Hush("r", "tv", "off"))
    table.settled(NOON + HOUR, reason="occupancy")

    assert table.manners.hushes.covers("r", "tv")


def test_when_one_load_ends_a_rules_hush_the_others_that_are_still_open_are_told():
    table = Table()
    table.manners.hush(Hush("r", None, "off"))
    table.raised(NOON, load="tv")
    table.raised(NOON, load="lamp")
    table.settled(NOON + HOUR, load="tv")

    assert table.day(NOON + HOUR, NOON + 2 * HOUR) == [(NOON + HOUR + GATHER, "news", "lamp raised")]


# -- settings, clocks, restarts -----------------------------------------------------------------------


def test_an_episode_of_a_rule_that_is_removed_is_told_to_be_over():
    table = Table()
    table.raised(NOON)
    table.says(NOON + GATHER)
    table.manners.configure(table.ways, {}, table.channels)
    table.settled(NOON + HOUR, reason="rule-changed")

    assert table.says(NOON + HOUR + GATHER) == [("news", "tv over")]


def test_a_channel_that_is_new_hears_of_what_comes_after():
    table = Table(channels=("phone", "mail"))
    table.manners.configure(table.ways, table.rules, {"phone": 8})
    table.raised(NOON)
    table.manners.configure(table.ways, table.rules, {"phone": 8, "mail": 8})
    table.raised(NOON, load="lamp")

    assert {found.channel: len(found.items) for found in table.speak(NOON + GATHER)} == {"phone": 2, "mail": 1}


@pytest.mark.parametrize("by_ms", [-3 * HOUR, 2 * HOUR])
def test_waits_go_on_when_the_clock_is_set(by_ms):
    table = Table(quiet=None)
    table.raised(NOON)
    table.manners.hush(Hush("s", None, "time", NOON + HOUR))
    table.manners.clock_was_set(by_ms, NOON + by_ms)

    assert table.manners.next_ms() == NOON + GATHER + by_ms
    table.says(NOON + GATHER + by_ms)
    assert table.manners.next_ms() == NOON + HOUR + by_ms
    table.says(NOON + HOUR + by_ms)
    assert table.manners.next_ms() == NOON + GATHER + 3 * HOUR + by_ms


def test_a_digest_is_at_its_hour_by_the_new_clock():
    table = Table()
    table.raised(NIGHT)
    table.manners.clock_was_set(10 * DAY, NIGHT + 10 * DAY)

    assert table.manners.next_ms() == RISING + 10 * DAY


STEPS = [
    lambda table: table.manners.hush(Hush("r", "heater", "time", NOON + 2 * HOUR)),
    lambda table: table.raised(NOON, load="heater"),
    lambda table: table.raised(NOON),
    lambda table: table.raised(NOON + SECOND, rule="s", load="lamp"),
    lambda table: table.says(NOON + GATHER, sent=False),
    lambda table: table.settled(NOON + HOUR),
    lambda table: table.says(NOON + HOUR + GATHER),
    lambda table: table.says(NOON + 2 * HOUR + GATHER),
    lambda table: table.settled(NOON + 5 * HOUR, rule="s", load="lamp"),
    lambda table: table.day(NOON + 5 * HOUR, NOON + 5 * DAY),
]


@pytest.mark.parametrize("saved_after", range(len(STEPS)))
def test_a_restart_at_any_moment_changes_nothing(saved_after):
    """Through JSON, as the ledger's checkpoint does."""
    steady, restarted = Table(), Table()
    for number, step in enumerate(STEPS):
        assert step(steady) == step(restarted)
        if number == saved_after:
            restarted.restart()
        assert restarted.manners.snapshot() == steady.manners.snapshot()
