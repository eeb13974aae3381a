"""`wattround check --history`: what the ledger says of the settings' tree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path as FilePath
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.evidence import Span
from wattround.analysis.findings import Finding, Findings, findings
from wattround.analysis.known import known_meters
from wattround.config.model import Meter, Settings
from wattround.config.positions import Positions
from wattround.config.problems import Problem
from wattround.ledger.survey import Survey
from wattround.rules.marks import instant_ms

DEFAULT_DAYS = 30
HOUR_MS = 3_600_000
HOUR_MINUTES = 60


class WrongSpan(Exception):  # noqa: N818 - reads as what it is
    """Days of which the ledger has nothing."""


class Look(NamedTuple):
    """What was found in which hours."""

    span: Span
    found: Findings
    meters: Mapping[str, Meter]


def look(settings: Settings, first: date | None, last: date | None) -> Look:
    """Hold the settings against the last days of the ledger, or those asked for.

    Raises:
        NoLedger: if there is none.
        WrongSpan: if it has nothing of these days.
        sqlite3.Error: if it cannot be read.
    """
    survey = Survey(FilePath(settings.ledger.folder), settings.house.id)
    try:
        span = span_of(survey.span(), first, last, ZoneInfo(settings.house.time_zone))
        meters = known_meters(survey, settings)
        return Look(span, findings(survey, meters, span), meters)
    finally:
        survey.close()


def span_of(kept: tuple[int, int] | None, first: date | None, last: date | None, zone: ZoneInfo) -> Span:
    """Hours of the last days that the ledger has, or of those asked for.

    Raises:
        WrongSpan: if it has nothing of these days.
    """
    if kept is None:
        raise WrongSpan("the ledger has no minutes yet: let the daemon run for some days")
    begin, end = (minute // HOUR_MINUTES for minute in (kept[0], kept[1] + HOUR_MINUTES - 1))
    to_hour = end if last is None else min(end, instant_ms(last + timedelta(days=1), 0, zone) // HOUR_MS)
    from_hour = to_hour - 24 * DEFAULT_DAYS if first is None else instant_ms(first, 0, zone) // HOUR_MS
    from_hour = max(begin, from_hour)
    if from_hour >= to_hour:
        has = f"{day_text(begin, zone)} to {day_text(end - 1, zone)}"
        raise WrongSpan(f"--from, --to: no minutes are kept of these days; the ledger has {has}")
    return Span(from_hour, to_hour)


def day_text(hour: int, zone: ZoneInfo) -> str:
    """The day of an hour since 1970."""
    return f"{datetime.fromtimestamp(hour * 3600, UTC).astimezone(zone):%Y-%m-%d}"


def lines(file: FilePath, settings: Settings, seen: Look) -> Iterator[str]:
    """The findings as `check` prints its own, each with its evidence and the line that would set it right."""
    positions = Positions(file.read_text().removeprefix("\ufeff").replace("\r\n", "\n"))
    for finding in seen.found.found:
        yield from _finding(str(file), positions, settings, seen.meters[finding.meter], finding)
    zone = ZoneInfo(settings.house.time_zone)
    days = f"{day_text(seen.span.first, zone)} to {day_text(seen.span.last - 1, zone)}"
    count = len(seen.found.found)
    yield f"{file}: {days}: {count or 'no'} finding{'' if count == 1 else 's'} in the history."
    for reason, names in seen.found.missing.items():
        yield f"  not enough history to tell all of {', '.join(sorted(names))}: {reason}"


def _finding(file: str, positions: Positions, settings: Settings, meter: Meter, finding: Finding) -> Iterator[str]:
    index = next((at for at, entry in enumerate(settings.meters) if entry.name == finding.meter), None)
    if index is None:  # only a pattern speaks of it
        index = next(at for at, entry in enumerate(settings.meters) if entry.captured)
    entry = settings.meters[index]
    line = positions.line(("meters", index, *finding.key))
    key = f'meters["{finding.meter}"].{".".join(finding.key)}'
    yield Problem(line, key, _value(meter, finding.key), finding.says, severity="warning").text(file)
    for shown in finding.evidence:
        yield f"    {shown}"
    if finding.key[0] in ("power", "counter") and getattr(entry, finding.key[0]) is None:
        yield f"    {finding.meter} is fed by a pattern: give it an entry with a source of its own, and there"
    elif entry.captured and finding.key[0] == "within":
        yield f"    {finding.meter} is fed by a pattern: give it an entry of its own, without a source, and there"
    yield f"    {finding.fix}"


def _value(meter: Meter, key: tuple[str, ...]) -> str:
    value: object = meter
    for part in key:
        value = getattr(value, part, None)
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, int | float) else f'"{value}"'
