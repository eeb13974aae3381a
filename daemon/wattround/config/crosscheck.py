"""What one key cannot tell alone: names that must exist, nesting without loops, secrets in the open."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.config.finding import Finding
from wattround.config.kinds import placeholder
from wattround.config.lettercheck import letter_findings
from wattround.config.model import Meter, Settings, Source
from wattround.config.pagecheck import page_findings
from wattround.config.positions import Path
from wattround.config.rule import Templates
from wattround.config.rulecheck import claim, edges, one_edge, rule_findings
from wattround.config.tariffcheck import tariff_findings
from wattround.config.treecheck import tree_findings


def crosscheck(settings: Settings) -> Iterator[Finding]:
    """Everything wrong or doubtful between the keys of settings that are each well formed."""
    if not settings.meters:
        yield Finding(("meters",), "none", "at least one [[meters]] entry")
    yield from _unique(settings)
    has_pattern = any(meter.captured for meter in settings.meters)
    for index, meter in enumerate(settings.meters):
        yield from _meter(index, meter, has_pattern=has_pattern)
    yield from tree_findings(settings)
    yield from _one_clock(settings)
    yield from _same_topic(settings)
    yield from tariff_findings(settings)
    yield from _marks(settings)
    for index, rule in enumerate(settings.rules):
        yield from rule_findings(settings, index, rule)
    yield from _ways(settings)
    yield from _outdoors(settings)
    yield from _secrets(settings)
    yield from page_findings(settings.page)
    yield from letter_findings(settings.letter, [(channel.name, channel.mqtt) for channel in settings.channels])


def _unique(settings: Settings) -> Iterator[Finding]:
    for section in ("meters", "people", "signals", "rules", "channels"):
        seen: dict[str, int] = {}
        for index, entry in enumerate(getattr(settings, section)):
            if entry.name in seen:
                yield Finding(
                    (section, index, "name"),
                    f'"{entry.name}"',
                    f"a name of its own in [[{section}]]",
                    f"entry {seen[entry.name] + 1} has the same name",
                )
            seen.setdefault(entry.name, index)


def _meter(index: int, meter: Meter, *, has_pattern: bool) -> Iterator[Finding]:
    here: Path = ("meters", index)
    sources = [(key, source) for key in ("power", "counter") if (source := getattr(meter, key))]
    if not sources and not meter.computed and (meter.captured or not has_pattern):
        yield Finding(here, "no source", "power = { topic = ... } or counter = { topic = ... }")
    for key, source in sources:
        yield from _source((*here, key), meter, source)
    if meter.availability:
        yield from _captures((*here, "availability", "topic"), meter, meter.availability.topic)
    if meter.counter and meter.counter.unit == "pulses" and meter.counter.pulses_per_kwh is None:
        yield Finding((*here, "counter", "unit"), '"pulses"', "pulses_per_kwh beside it",
                      "the meter's plate says how many")  # fmt: skip
    if meter.active_w is not None and meter.active_w <= meter.standby_w:
        yield Finding((*here, "active_w"), f"{meter.active_w:g}", f"more than standby_w, {meter.standby_w:g}")
    if meter.active_w is not None and meter.release_w is not None and meter.release_w > meter.active_w:
        yield Finding((*here, "active_release_w"), f"{meter.release_w:g}", f"at most active_w, {meter.active_w:g}")
    if meter.captured and meter.within == meter.captured:
        yield Finding((*here, "within"), "the captured name", "the name of another meter")


def _source(here: Path, meter: Meter, source: Source) -> Iterator[Finding]:
    yield from _captures((*here, "topic"), meter, source.topic)
    if source.factor == 0:
        yield Finding((*here, "factor"), "0", "a factor other than zero", "use sign = -1 to turn a clamp round")
    if source.pointer is not None and source.senml is not None:
        yield Finding((*here, "senml"), "pointer and senml together", "one of the two")
    for key, stated in (("behind", source.behind is not None), ("decimal_comma", source.decimal_comma)):
        if stated and source.senml is not None:
            yield Finding((*here, key), f"{key} and senml together", "one of the two", "SenML has bare numbers")
    if source.time_pointer is not None and source.pointer is None:
        yield Finding((*here, "time_pointer"), "a time without a pointer", 'pointer = "/..." beside it',
                      "SenML records carry their own time")  # fmt: skip


def _captures(path: Path, meter: Meter, topic: str) -> Iterator[Finding]:
    if placeholder(topic) != meter.captured:
        wanted = f"the level {{{meter.captured}}} as in name" if meter.captured else "no {level} in braces"
        yield Finding(path, f'"{topic}"', wanted, "a captured level and the name in braces go together")


def _one_clock(settings: Settings) -> Iterator[Finding]:
    for index, meter in enumerate(settings.meters):
        if meter.power and meter.counter and meter.power.stamped != meter.counter.stamped:
            late = "counter" if meter.power.stamped else "power"
            yield Finding(("meters", index, late), "readings without their own time", "a time like the other source's",
                          "one meter, one clock: give both a time_pointer, or neither")  # fmt: skip


def _same_topic(settings: Settings) -> Iterator[Finding]:
    seen: dict[tuple[object, ...], str] = {}
    for index, meter in enumerate(settings.meters):
        for key in ("power", "counter"):
            source: Source | None = getattr(meter, key)
            if source is None:
                continue
            what = (key, source.topic, source.pointer, source.senml)
            if what in seen:
                yield Finding(
                    ("meters", index, key, "topic"),
                    f'"{source.topic}"',
                    f"{seen[what]} reads the same value: its energy would be counted twice",
                    severity="warning",
                )
            seen.setdefault(what, meter.name)


def _marks(settings: Settings) -> Iterator[Finding]:
    for name, mark in settings.marks.items():
        if all(mark.minutes(day) is None for day in range(7)):
            yield Finding(("marks", name), "no time", 'every = "23:00", or a time for a weekday')
        for day in ("every", "mon", "tue", "wed", "thu", "fri", "sat", "sun"):
            minutes = getattr(mark, day)
            if name == "bedtime" and minutes is not None and minutes < 5 * 60:
                later = f"{minutes // 60 + 24}:{minutes % 60:02}"
                yield Finding(
                    ("marks", name, day),
                    f"{minutes // 60:02}:{minutes % 60:02}",
                    f'this is early that same day; for the night after that evening write "{later}"',
                    severity="warning",
                )


def _outdoors(settings: Settings) -> Iterator[Finding]:
    named = settings.house.outdoor_signal
    known = [signal.name for signal in settings.signals]
    if named is not None and named not in known:
        yield Finding(
            ("house", "outdoor_signal"),
            f'"{named}"',
            f"the name of a signal: {', '.join(known) or 'none is configured'}",
        )


def _guests_stay_known(settings: Settings, name: str) -> Iterator[Finding]:
    for index, signal in enumerate(settings.signals):
        if signal.name == name and "believable" not in signal.model_fields_set:
            yield Finding(
                ("signals", index),
                "",
                "guests depend on it, and after 7 days without a word nobody knows whether the house is empty",
                'say how long it may be silent: believable = "365d" for a switch that is published when it changes',
                "warning",
            )


def _ways(settings: Settings) -> Iterator[Finding]:
    """Occupancy, manners and templates."""
    guests = settings.occupancy.guests
    if guests is not None:
        yield from claim(settings, ("occupancy", "guests"), guests)
        yield from _guests_stay_known(settings, guests.signal)
    yield from edges(settings, ("manners", "quiet"), settings.manners.quiet)
    yield from one_edge(settings, ("manners", "digest_at"), settings.manners.digest_at)
    if settings.templates != Templates():
        from wattround.config.templates import faults  # noqa: PLC0415 - only for files that have some

        for kind, part, trouble in faults(settings.templates):
            yield Finding(
                ("templates", kind, part),
                f"a template that fails: {trouble}",
                "a Jinja2 text that works on a sample message",
                "the README lists what it may use",
            )


_SECRETS = (("broker", "password"), ("archive", "token"), ("page", "token"))


def _secrets(settings: Settings) -> Iterator[Finding]:
    for section, key in _SECRETS:
        part = getattr(settings, section)
        if part is not None:
            yield from _secret((section,), part, key)
    for index, channel in enumerate(settings.channels):
        here: Path = ("channels", index)
        yield from _secret(here, channel, "url")
        has_url = any(getattr(channel, f"url{end}") is not None for end in ("", "_file", "_credential"))
        if channel.mqtt == has_url:
            yield Finding(here, "both mqtt and a URL" if has_url else "no way to send",
                          "either mqtt = true, or one of url_file, url_credential, url")  # fmt: skip
        if channel.topic is not None and not channel.mqtt:
            yield Finding((*here, "topic"), "a topic without mqtt", "mqtt = true beside it")
    if settings.broker.tls and bool(settings.broker.tls.certificate_file) != bool(settings.broker.tls.key_file):
        yield Finding(("broker", "tls"), "one half of the client's pair", "certificate_file and key_file together")
    if settings.broker.user is None and any(
        getattr(settings.broker, f"password{end}") is not None for end in ("", "_file", "_credential")
    ):
        yield Finding(("broker", "user"), "a password without a user", "user = ... beside the password")


def _secret(here: Path, part: object, key: str) -> Iterator[Finding]:
    given = [end for end in ("", "_file", "_credential") if getattr(part, key + end) is not None]
    if len(given) > 1:
        yield Finding((*here, key + given[0]), "more than one source", f"one of {key}_file, {key}_credential, {key}")
    if "" in given:
        yield Finding(
            (*here, key), "", f"a secret in the open: anyone who reads the file or its backup has it; "
            f"use {key}_file or {key}_credential", severity="warning",
        )  # fmt: skip
