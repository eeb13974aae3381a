"""`wattround doctor`: one text for a bug report, without secrets and names."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from wattround.analysis.doctor.facts import ledger_facts, text_of, versions
from wattround.analysis.doctor.scrub import Scrubber
from wattround.config.model import Settings
from wattround.config.secrets import MissingSecret, secret_of
from wattround.control import NoDaemon, ask_daemon
from wattround.ledger.reader import NoLedger, Reader

LOG_LINES = 200


def examine(settings: Settings, log: Path | None) -> str:
    """The report.

    Raises:
        ValueError: if a name or secret was left in it; it is then not given out.
        OSError: if the log file cannot be read.
    """
    scrubber = Scrubber()
    dumped = settings.model_dump(exclude_unset=True, by_alias=True)
    scrubber.learn(dumped)
    folder = Path(settings.ledger.folder)
    for name in _measured(folder, settings.house.id):
        scrubber.know("meter", name)
    sections = {
        "Versions": [f"{name} {found}" for name, found in versions().items()],
        "Settings": _lines(scrubber.scrub(dumped)),
        "Daemon": _lines(scrubber.scrub(_daemon(folder))),
        "Ledger": _lines(scrubber.scrub(ledger_facts(folder))),
        "Log": _log(scrubber, log),
    }
    text = text_of(sections)
    leaks = scrubber.leaks(text, _secrets(settings))
    if leaks:
        raise ValueError(
            f"nothing is written: {', '.join(sorted(set(leaks)))} would have stood in it; please tell us so"
        )
    return text


def _lines(facts: Any) -> list[str]:
    return json.dumps(facts, indent=1, ensure_ascii=True).splitlines()


def _measured(folder: Path, house: str) -> list[str]:
    try:
        reader = Reader(folder, house)
    except NoLedger:
        return []
    try:
        return list(reader.meters())
    finally:
        reader.close()


def _daemon(folder: Path) -> Any:
    try:
        return ask_daemon(folder, "now")
    except (NoDaemon, ValueError):
        return {"running": False}


def _log(scrubber: Scrubber, log: Path | None) -> Iterable[str]:
    """The last lines that the daemon wrote: of a file, or of the journal where there is one."""
    if log is not None:
        lines = log.read_text("utf-8", "replace").splitlines()
    else:
        command = ["journalctl", "--unit", "wattround", "--output", "cat", "--lines", str(LOG_LINES), "--no-pager"]
        try:
            done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=20)  # noqa: S603 - fixed words
        except (OSError, subprocess.SubprocessError):
            return ["no journal here that can be read; --log FILE takes one from a file"]
        lines = done.stdout.splitlines()
    kept = [scrubber.scrub_line(line) for line in lines[-LOG_LINES:]]
    other = sum(line is None for line in kept)
    found = [line for line in kept if line is not None]
    return [*found, f"{len(found)} lines, {other} others left out"]


def _secrets(settings: Settings) -> list[str]:
    """What must not stand in it, from files and credentials, too."""
    places: list[Any] = [(settings.broker.password, settings.broker.password_file, settings.broker.password_credential)]
    places += [(channel.url, channel.url_file, channel.url_credential) for channel in settings.channels]
    if settings.archive is not None:
        archive = settings.archive
        places.append((archive.token, archive.token_file, archive.token_credential))
    found = []
    for place in places:
        try:
            secret = secret_of(*place)
        except MissingSecret:
            continue
        if secret is not None:
            found.append(secret)
    return found
