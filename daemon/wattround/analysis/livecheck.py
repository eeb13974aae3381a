"""What a visit to the running broker says of a settings file: a line for each thing, right or with what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from statistics import median
from typing import Literal, NamedTuple

from wattround.config.kinds import duration_text
from wattround.config.model import Meter, Settings
from wattround.core.tariffs import schedule_of
from wattround.core.wiring import tree_of
from wattround.ingest.hearing import Heard, Hearing
from wattround.metering.accuracy import percent

State = Literal["right", "look", "wait"]
"""Right; something is to be looked at; not enough was heard to tell."""
CLOCK_OFF_MS = 5_000
SMALL_W = 30.0
"""Readings of different meters are not of the same instant: below this a sum that is too large says nothing."""


class Line(NamedTuple):
    """One thing that was looked at."""

    state: State
    what: str
    says: str


def source_lines(settings: Settings, heard: Hearing, listened_ms: int, now_ms: int) -> Iterator[Line]:
    """A line for each source of each meter, each person and signal."""
    for each in heard:
        what = f"{each.feed.name} {each.feed.kind}" if each.feed.kind != "presence" else f"{each.feed.name} presence"
        yield Line(*_source(settings, heard, each, listened_ms, now_ms)._replace(what=what))
    patterns = [meter for meter in settings.meters if meter.captured]
    for pattern in patterns:
        count = sum(name == pattern.name for name in heard.names.values())
        known = f"{count} name{'s' if count != 1 else ''} heard"
        yield Line("right" if count else "look", pattern.name, f"{known}{'' if count else f' on {_topic(pattern)}'}")


def _topic(meter: Meter) -> str:
    source = meter.power or meter.counter
    return source.topic if source is not None else "no topic"


def _source(settings: Settings, hearing: Hearing, heard: Heard, listened_ms: int, now_ms: int) -> Line:
    feed, seconds = heard.feed, listened_ms // 1000
    if heard.bad and not heard.fresh:
        return Line("look", "", f"{heard.bad} messages on {feed.topic}, none usable: {heard.last_bad}")
    is_metered = feed.kind in ("power", "counter")
    if not heard.fresh and not heard.retained:
        if is_metered:
            return Line("look", "", f"nothing in {seconds} s on {feed.topic}: is that its topic?")
        return Line("wait", "", f"nothing in {seconds} s on {feed.topic}; it may speak only when it changes")
    said = _value(heard)
    if not heard.fresh:
        advice = ": how old it is nobody knows, so it makes no energy" if is_metered else ""
        return Line("wait", "", f"{said}, retained{advice}; nothing fresh in {seconds} s")
    age_s = (now_ms - heard.last_ms) // 1000
    text = f"{said}, {age_s} s ago"
    if heard.bad:
        share = 100 * heard.bad / (heard.bad + heard.fresh)
        return Line("look", "", f"{text}; {share:.0f} % of its messages cannot be used: {heard.last_bad}")
    return _rhythm(settings, hearing, heard, text)


def _rhythm(settings: Settings, hearing: Hearing, heard: Heard, text: str) -> Line:
    feed, gaps = heard.feed, heard.gaps_ms
    if feed.kind not in ("power", "counter"):
        return Line("right", "", text)
    offset_ms = heard.offset_ms
    if offset_ms is not None and abs(offset_ms) > CLOCK_OFF_MS:
        way = "ahead of" if offset_ms > 0 else "behind"
        return Line("look", "", f"{text}; its clock is {abs(offset_ms) / 1000:.0f} s {way} ours: set one of them")
    if not gaps:
        return Line("wait", "", f"{text}; heard once, so how often it comes is not known")
    rhythm = f"every {_seconds(median(gaps))}"
    meter = _meter_of(settings, hearing, feed.name)
    longest_ms = max(gaps)
    if feed.kind == "power" and meter is not None and longest_ms > meter.hold:
        wanted = f"{-(-3 * longest_ms // 60_000)}m"
        return Line(
            "look", "", f"{text}, {rhythm}, {_seconds(longest_ms)} at most: longer than its hold of"
            f' {duration_text(meter.hold)}, what lies between counts as not covered: hold = "{wanted}"',
        )  # fmt: skip
    return Line("right", "", f"{text}, {rhythm}")


def _meter_of(settings: Settings, hearing: Hearing, name: str) -> Meter | None:
    found = hearing.router.meters.get(name)
    if found is None:
        pattern = hearing.names.get(name)
        found = next((meter for meter in settings.meters if meter.name == pattern), None)
    return found


def _value(heard: Heard) -> str:
    if isinstance(heard.value, float):
        return f"{heard.value:.1f} W" if heard.feed.kind == "power" else f"{heard.value / 1000:.3f} kWh"
    shown = str(heard.value)
    if heard.feed.kind == "presence":
        return f'"{shown}", {"home" if shown in heard.feed.words else "away"}'
    if heard.feed.kind == "availability":
        return f'"{shown}", {"offline" if shown in heard.feed.words else "online"}'
    return f'"{shown if len(shown) <= 40 else shown[:37] + "..."}"'


def _seconds(span_ms: float) -> str:
    return f"{span_ms / 1000:.1f} s" if span_ms < 100_000 else f"{span_ms / 60_000:.0f} min"


def tree_lines(hearing: Hearing) -> Iterator[Line]:
    """Whether what is within a meter draws no more than it, by the last watts of each."""
    watts = {heard.feed.name: heard.value for heard in hearing if heard.feed.kind == "power" and heard.fresh}
    known = {name: value for name, value in watts.items() if isinstance(value, float)}
    tree = tree_of(hearing.router.meters)
    for parent, children in tree.children.items():
        if parent not in known or not children or not all(child in known for child in children):
            continue
        within = sum(-known[child] if child in tree.generators else known[child] for child in children)
        left = known[parent] - within
        off = sum(_error(hearing.router.meters[name]) * abs(known[name]) / 100 for name in (parent, *children))
        text = f"{known[parent]:.0f} W, of which {within:.0f} W are metered within"
        if left < -(off + SMALL_W):
            yield Line("look", f"{parent} sum", f"{text}: more than it has; after some days: wattround check --history")
        else:
            yield Line("right", f"{parent} sum", text)


def _error(meter: Meter) -> float:
    return percent(meter.accuracy_percent, meter.meter_class, meter.clamp_class)


def tariff_line(settings: Settings, prices: Mapping[str, str], now_ms: int) -> Line:
    """What a kilowatt-hour costs now; `prices`: what signals said last."""
    schedule = schedule_of(settings)
    span = schedule.span_at(now_ms)
    per_kwh = span.import_per_kwh
    if per_kwh is not None:
        return Line("right", "tariff", f"{per_kwh:.4f} {settings.house.currency} a kWh now, tax included")
    if span.tariff is not None and span.rate.blocks:
        return Line("right", "tariff", f"{span.tariff.name}: by the blocks of its month")
    wanted = sorted(source.name for source in schedule.sources)
    missing = [name for name in wanted if name not in prices]
    if wanted and not missing:
        return Line("right", "tariff", f"by {', '.join(f'{name}: {prices[name]}' for name in wanted)}")
    said = f": nothing was heard of {', '.join(missing)}" if missing else ""
    return Line("look" if not missing else "wait", "tariff", f"no price is known for now{said}")
