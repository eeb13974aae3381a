"""Upkeep: whether everything is heard, kept, shipped and told."""

from __future__ import annotations

import platform
import shutil
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from wattround import __version__
from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.core.viewwords import trouble_lines
from wattround.ledger.mail import Mail
from wattround.ledger.opening import FILE
from wattround.ledger.tally import Tally
from wattround.metering.minute import MINUTE_MS
from wattround.page.figures import ago_text, is_quiet, moment_text
from wattround.page.workshop import Worked, Workshop
from wattround.pictures.ink import plain

SHOWN = {"look": "look", "wait": "not yet known", "right": "right"}
ORDER = list(SHOWN)


def upkeep_view(
    tally: Tally | None, settings: Settings, facts: Mapping[str, Any], archive: Mapping[str, Any] | None,
    checks: Workshop,
) -> dict[str, Any]:  # fmt: skip
    """What the template needs; `archive`: the cursor's status, if there is one; `checks`: has live checks made."""
    zone, now_ms = ZoneInfo(settings.house.time_zone), facts["now_ms"]
    return {
        "sources": [_source(meter, facts["bad_payloads"]) for meter in facts["meters"]],
        "troubles": [f"{line[:1].upper()}{line[1:]}." for line in trouble_lines(dict(facts))],
        "daemon": list(_daemon(facts)), "ledger": list(_ledger(tally, settings, zone)),
        "archive": list(_archive(archive, zone, now_ms)) if archive is not None else [],
        "channels": _channels(tally.mail() if tally is not None else (), settings, zone), "versions": _versions(),
        "check": _check(checks.look(settings), zone), "lack": checks.lack,
    }  # fmt: skip


def _source(meter: Mapping[str, Any], bad: Mapping[str, Any]) -> dict[str, Any]:
    age_s = meter["age_s"]
    refused = bad.get(meter["name"], {"count": 0, "last": ""})
    heard = "computed" if meter["computed"] else "never" if age_s is None else ago_text(age_s * 1000)
    return {
        "name": meter["name"], "label": plain(meter["label"]), "role": meter["role"], "heard": heard,
        "quiet": is_quiet(meter), "readings": f"{meter['readings']}", "refused": f"{refused['count']}",
        "last": plain(refused["last"]),
    }  # fmt: skip


def _daemon(facts: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    daemon = facts["daemon"]
    yield "Broker", daemon["broker"]
    yield "Messages waiting", f"{daemon['messages_waiting']}"
    yield "Readings dropped", f"{daemon['messages_dropped']}"
    yield "Names refused", f"{daemon['names_refused']}"


def _ledger(tally: Tally | None, settings: Settings, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    folder = Path(settings.ledger.folder)
    kept = tally.kept() if tally is not None else None
    if kept is not None:
        yield "From", moment_text(kept.begin * MINUTE_MS, zone)
        yield "To", moment_text(kept.end * MINUTE_MS, zone)
    try:
        yield "On disk", _bytes(sum(file.stat().st_size for file in folder.glob(f"{FILE}*")))
        usage = shutil.disk_usage(folder)
    except OSError as error:
        yield "Disk", f"cannot be looked at: {error.strerror}"
        return
    yield "Free on the disk", f"{_bytes(usage.free)} of {_bytes(usage.total)}"


def _archive(status: Mapping[str, Any], zone: ZoneInfo, now_ms: int) -> Iterator[tuple[str, str]]:
    cursor, answered = status["cursor_minute"], status["last_answer_ms"]
    yield "Shipped up to", "nothing yet" if cursor is None else moment_text((cursor + 1) * MINUTE_MS, zone)
    if cursor is not None:
        yield "Behind", duration_text(max(0, now_ms - (cursor + 1) * MINUTE_MS))
    yield "Rows waiting", f"{status['rows_waiting']}"
    yield "Amended rows waiting", f"{status['amended_waiting']}"
    yield "Last answer", "none yet" if answered is None else ago_text(now_ms - answered)
    if status["trouble"]:
        yield "Trouble", plain(status["trouble"])


def _channels(mails: Sequence[Mail], settings: Settings, zone: ZoneInfo) -> list[dict[str, str]]:
    by_name = {mail.channel: mail for mail in mails}
    names = [channel.name for channel in settings.channels]
    found = []
    for name in [*names, *(each for each in by_name if each not in names)]:
        mail = by_name.get(name, Mail(name, 0, 0, 0, None, ""))
        found.append({
            "name": name if name in names else f"{name} (no longer in the settings)", "waiting": f"{mail.waiting}",
            "sent": f"{mail.sent}", "given_up": f"{mail.given_up}", "trouble": plain(mail.trouble),
            "last": "" if mail.sent_ms is None else moment_text(mail.sent_ms, zone),
        })  # fmt: skip
    return found


def _check(worked: Worked, zone: ZoneInfo) -> dict[str, Any]:
    """What a live check has found: what is to be looked at first."""
    facts: Mapping[str, Any] = worked.facts if worked.facts is not None else {"live": [], "problems": [], "at_ms": 0}
    lines = sorted(facts["live"], key=lambda line: ORDER.index(line["state"]))
    look = sum(line["state"] == "look" for line in lines) + len(facts["problems"])
    wait = sum(line["state"] == "wait" for line in lines)
    more = f", {wait} cannot be told yet" if wait else ""
    return {
        "state": worked.state, "trouble": worked.trouble, "when": moment_text(facts["at_ms"], zone),
        "problems": [plain(each["text"]) for each in facts["problems"]],
        "lines": [
            {"what": plain(line["what"]), "says": plain(line["says"]), "state": SHOWN[line["state"]]} for line in lines
        ],
        "sum": f"{f'{look} things' if look > 1 else 'One thing' if look else 'Nothing'} to look at{more}.",
    }  # fmt: skip


def _versions() -> list[tuple[str, str]]:
    return [
        ("wattround", __version__), ("Python", platform.python_version()), ("SQLite", sqlite3.sqlite_version),
        ("System", f"{platform.system()} {platform.release()}, {platform.machine()}"),
    ]  # fmt: skip


def _bytes(size: int) -> str:
    """A size in decimal units."""
    for unit, of in (("GB", 1_000_000_000), ("MB", 1_000_000)):
        if size >= of:
            return f"{size / of:.1f} {unit}"
    return f"{size / 1000:.0f} kB"
