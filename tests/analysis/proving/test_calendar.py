"""A trial's calendar, read by a library that did not write it (vobject), and held to RFC 5545 byte by byte."""

from datetime import UTC, date, datetime, timedelta

import pytest
import vobject
from hypothesis import given
from hypothesis import strategies as st

from support.turns import trial
from wattround.analysis.proving.calendar import calendar

FIRST = date(2026, 3, 23)
BY_DAY = trial(
    "cooler 26 degrees", "cooler", FIRST, 10, seed=4, on_is="set to 26", off_is="set to 24; not less, please"
)
BY_WEEK = trial("pump slower", "pump", FIRST, 2, unit_days=7, block_units=4, seed=4)


def events(of, house="quince"):
    return list(vobject.readOne(calendar(of, house)).vevent_list)


def test_each_day_is_one_event_of_a_whole_day_that_says_what_to_do():
    found = events(BY_DAY)

    assert [event.dtstart.value for event in found] == [FIRST + timedelta(days=at) for at in range(20)]
    assert all(event.dtend.value - event.dtstart.value == timedelta(days=1) for event in found)
    for event in found:
        do = BY_DAY.do(event.dtstart.value)
        assert event.summary.value == f"cooler 26 degrees: {do.upper()}"
        assert event.description.value == ("set to 26" if do == "on" else "set to 24; not less, please")
        assert event.transp.value == "TRANSPARENT"


def test_each_week_is_one_event_of_seven_days_also_across_a_change_of_the_clock():
    found = events(BY_WEEK)

    assert [(event.dtstart.value, event.dtend.value) for event in found] == [
        (FIRST + timedelta(days=7 * at), FIRST + timedelta(days=7 * at + 7)) for at in range(8)
    ]
    assert sum(event.summary.value.endswith(": ON") for event in found) == 4


def test_the_same_event_has_the_same_uid_and_no_two_have_one():
    once, again = events(BY_DAY), events(BY_DAY.model_copy(update={"skipped": (FIRST,)}))
    uids = [event.uid.value for event in once]

    assert [event.uid.value for event in again] == uids
    assert len(set(uids)) == 20
    assert not set(uids) & {event.uid.value for event in events(BY_DAY, "another-house")}
    assert not set(uids) & {event.uid.value for event in events(BY_DAY.model_copy(update={"name": "cooler 27"}))}


def test_a_trial_that_is_drawn_anew_takes_the_place_of_the_old_one_as_it_is_newer():
    anew = BY_DAY.model_copy(update={"drawn": BY_DAY.drawn + timedelta(hours=2), "order": BY_DAY.order[::-1]})
    old, new = events(BY_DAY), events(anew)

    assert [event.uid.value for event in old] == [event.uid.value for event in new]
    assert all(after.dtstamp.value > before.dtstamp.value for before, after in zip(old, new, strict=True))
    assert old[0].dtstamp.value == datetime(2026, 3, 22, 9, 0, tzinfo=UTC)  # 10:00 at +01:00


def held_to_the_standard(text):
    """RFC 5545: lines end with CRLF (3.1), have at most 75 octets (3.1), and say VERSION and PRODID once (3.6)."""
    raw = text.encode()
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
    assert raw.startswith(b"BEGIN:VCALENDAR\r\n")
    assert raw.count(b"VERSION:2.0\r\n") == raw.count(b"PRODID:") == raw.count(b"END:VCALENDAR\r\n") == 1


@pytest.mark.parametrize("of", [BY_DAY, BY_WEEK])
def test_the_bytes_are_as_the_standard_wants_them(of):
    text = calendar(of, "quince")
    raw = text.encode()

    held_to_the_standard(text)
    count = len(of.order)
    for wanted in (b"BEGIN:VEVENT", b"DTSTAMP:20260322T090000Z", b"DTSTART;VALUE=DATE:2026", b"DTEND;VALUE=DATE:2026"):
        assert raw.count(b"\r\n" + wanted) == count
    assert raw.count(b"\r\nUID:") == count


WORDS = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=80).filter(
    lambda name: name.strip() == name and any(each.isalnum() for each in name)
)


@given(WORDS, WORDS)
def test_any_name_comes_out_as_it_went_in(name, means):
    """Semicolons, commas, backslashes, quotes and scripts of any kind; folded between characters, not within one."""
    of = BY_DAY.model_copy(update={"name": name, "on_is": means, "order": "+-"})
    text = calendar(of, "quince")
    held_to_the_standard(text)
    event = events(of)[0]

    assert event.summary.value == f"{name}: ON"
    assert event.description.value == means
