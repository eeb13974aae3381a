"""Small value types of the settings: durations, times of day, topics, pointers, numbers, names."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Literal, NamedTuple

from pydantic import AfterValidator, BeforeValidator

_DURATION = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?")
_PLACEHOLDER = re.compile(r"\{([a-z][a-z0-9_-]*)\}")
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
_LEVEL = re.compile(r"[^/+#{}\\]{1,64}")
_CLOCK = re.compile(r"([0-2]?\d):([0-5]\d)")
_MONTH_DAY = re.compile(r"(\d\d)-(\d\d)")
_MONTH_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
MAX_TOPIC_BYTES = 65_535


def duration_ms(found: object) -> int:
    """Milliseconds of a duration such as "90s", "10m", "1h30m" or "2d".

    Raises:
        ValueError: for anything else.
    """
    match = _DURATION.fullmatch(found) if isinstance(found, str) and found else None
    if not match:
        raise ValueError('a duration such as "90s", "10m", "1h30m" or "2d"')
    if any(part and len(part) > 9 for part in match.groups()):
        raise ValueError("a duration of at most 36500d")
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    if days > 36_500 or hours > 876_000:
        raise ValueError("a duration of at most 36500d")
    return ((days * 24 + hours) * 60 + minutes) * 60_000 + seconds * 1000


def duration_text(span_ms: int) -> str:
    """A duration in the words of a message: "2 h 10 min", "45 s"."""
    seconds = max(0, span_ms) // 1000  # a clock that was set back may have ended something before its begin
    if seconds < 60:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def minutes_of_day(found: object) -> int:
    """Minutes after a day's midnight of a time such as "23:00"; "24:30" is half past midnight after that day.

    Raises:
        ValueError: for anything else.
    """
    match = _CLOCK.fullmatch(found) if isinstance(found, str) else None
    if not match or int(match[1]) > 29:
        raise ValueError('a time such as "23:00"; after midnight of that evening, "24:30" (up to "29:59")')
    return int(match[1]) * 60 + int(match[2])


_SUN = re.compile(r"(sunrise|sunset)(?:([+-])((?:\d+h)?(?:\d+m)?(?:\d+s)?))?")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class SunTime(NamedTuple):
    """Sunrise or sunset, and so many milliseconds later."""

    event: Literal["sunrise", "sunset"]
    later_ms: int


def sun_time(found: str) -> SunTime | None:
    """What "sunset", "sunset+30m" or "sunrise-1h" says; None for anything else."""
    match = _SUN.fullmatch(found)
    if not match or (match[2] and not match[3]):
        return None
    later_ms = duration_ms(match[3]) if match[3] else 0
    return SunTime("sunrise" if match[1] == "sunrise" else "sunset", -later_ms if match[2] == "-" else later_ms)


def clock_time(found: str) -> int | None:
    """Minutes after midnight of "23:00"; None for what is no time of day."""
    return minutes_of_day(found) if _CLOCK.fullmatch(found) else None


def _edge(found: str) -> str:
    if sun_time(found) is None and clock_time(found) is None and not _NAME.fullmatch(found):
        raise ValueError('the name of a mark, a time such as "22:30", or the sun: "sunset", "sunset+30m", "sunrise-1h"')
    return found


def _weekday(found: str) -> str:
    if found not in WEEKDAYS:
        raise ValueError(f"a weekday: {', '.join(WEEKDAYS)}")
    return found


def month_day(found: object) -> tuple[int, int]:
    """Month and day of a text such as "03-15".

    Raises:
        ValueError: for anything else; 29 February is a day.
    """
    match = _MONTH_DAY.fullmatch(found) if isinstance(found, str) else None
    if not match or not 1 <= int(match[1]) <= 12 or not 1 <= int(match[2]) <= _MONTH_DAYS[int(match[1]) - 1]:
        raise ValueError('a day of the year such as "03-15", month first')
    return int(match[1]), int(match[2])


def words_of(found: object) -> object:
    """One word or several, as a payload's text: true is "true", 3 is "3"."""
    parts = found if isinstance(found, tuple) else (found,)
    if not all(isinstance(part, str | bool | int | Decimal) for part in parts):
        raise ValueError('a word such as "open", true or false, a number, or a list of those')
    return tuple(str(part).lower() if isinstance(part, bool) else str(part) for part in parts)


def _topic_fault(topic: str, *, wildcards: bool) -> str | None:
    # MQTT 5.0 and 3.1.1, sections 4.7.1 and 4.7.3
    if not topic or "\0" in topic or len(topic.encode()) > MAX_TOPIC_BYTES:
        return "a topic of 1 to 65535 bytes without a null character"
    for level in topic.split("/"):
        if "+" in level or "#" in level:
            return (
                "one named level as in plugs/{plug}/watts where the name is to be kept, not + or #"
                if wildcards
                else "a topic without + or #"
            )
    return None


def _plain_topic(topic: str) -> str:
    if fault := _topic_fault(topic, wildcards=False):
        raise ValueError(fault)
    return topic


def _open_topic(topic: str) -> str:
    if fault := _topic_fault(topic, wildcards=True):
        raise ValueError(fault)
    named = [level for level in topic.split("/") if "{" in level or "}" in level]
    if len(named) > 1 or any(not _PLACEHOLDER.fullmatch(level) for level in named):
        raise ValueError("at most one named level, a whole level in braces, as in plugs/{plug}/watts")
    return topic


def placeholder(topic: str) -> str | None:
    """Name of the captured level of a topic such as `plugs/{plug}/watts`, or None."""
    for level in topic.split("/"):
        if match := _PLACEHOLDER.fullmatch(level):
            return match[1]
    return None


def _behind(found: str) -> str:
    if (
        not 0 < len(found) <= 16
        or found != found.strip()
        or not found.isprintable()
        or set(found) & set("0123456789+-.,")
    ):
        raise ValueError('the text behind a number such as "W", without digits, signs and spaces around it')
    return found


def _pointer(found: str) -> str:
    # RFC 6901, section 3: empty, or a slash before each token, and ~ only as ~0 or ~1
    if (found and not found.startswith("/")) or re.search(r"~(?![01])", found):
        raise ValueError('a JSON Pointer (RFC 6901) such as "/power/now"')
    return found


def _name(found: str) -> str:
    if not _NAME.fullmatch(found):
        raise ValueError("a name of a-z, 0-9, - and _, up to 64 characters")
    return found


def _known_meter(found: str) -> str:
    # what a pattern may capture must be nameable: any level of a topic
    if not _LEVEL.fullmatch(found) or not found.isprintable():
        raise ValueError("a name of up to 64 characters without / + # { } and backslash")
    return found


def _meter_name(found: str) -> str:
    return found if _PLACEHOLDER.fullmatch(found) else _known_meter(found)


def _as_float(found: object) -> object:
    try:
        return float(found) if isinstance(found, int | Decimal) and not isinstance(found, bool) else found
    except OverflowError:
        raise ValueError("a finite number") from None


def _finite(found: float) -> float:
    if not abs(found) < float("inf"):
        raise ValueError("a finite number")
    return found


def _as_decimal(found: object) -> object:
    return Decimal(found) if isinstance(found, int) and not isinstance(found, bool) else found


def _path(found: str) -> str:
    if not found or "\0" in found:
        raise ValueError("a path")
    return found


def _sign(found: object) -> object:
    if found not in (1, -1) or isinstance(found, bool):
        raise ValueError("1 or -1")
    return found


FilePath = Annotated[str, AfterValidator(_path)]
Sign = Annotated[int, BeforeValidator(_sign)]
Duration = Annotated[int, BeforeValidator(duration_ms)]
TimeOfDay = Annotated[int, BeforeValidator(minutes_of_day)]
MonthDay = tuple[int, int]
DayOfYear = Annotated[MonthDay, BeforeValidator(month_day)]
Edge = Annotated[str, AfterValidator(_edge)]
Weekday = Annotated[str, AfterValidator(_weekday)]
Topic = Annotated[str, AfterValidator(_plain_topic)]
OpenTopic = Annotated[str, AfterValidator(_open_topic)]
Pointer = Annotated[str, AfterValidator(_pointer)]
Name = Annotated[str, AfterValidator(_name)]
Behind = Annotated[str, AfterValidator(_behind)]
KnownMeter = Annotated[str, AfterValidator(_known_meter)]
MeterName = Annotated[str, AfterValidator(_meter_name)]
Number = Annotated[float, BeforeValidator(_as_float), AfterValidator(_finite)]
Price = Annotated[Decimal, BeforeValidator(_as_decimal)]
