"""`wattround check --live`: a visit to the broker, the channels and the archive that a settings file names."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Sequence

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from wattround.analysis.livecheck import Line, source_lines, tariff_line, tree_lines
from wattround.config.model import Archive, Channel, Settings
from wattround.config.secrets import MissingSecret
from wattround.ingest.hearing import Hearing
from wattround.ingest.visit import CannotVisit, Visit
from wattround.ledger.batch import Message

SHOWN = {"right": "right", "look": "LOOK", "wait": "wait"}
WIDTH = 110
TITLE, BODY = "wattround: a test", "A test message of wattround check: this channel works."


def look(settings: Settings, seconds: float, *, send_test: bool) -> list[Line]:
    """Listen for at most so long, and look at everything.

    Raises:
        CannotVisit: if the broker cannot be listened to.
        MissingSecret: if its password cannot be read.
    """
    visit = Visit(settings)
    hearing = Hearing(settings)
    try:
        begun_s = time.monotonic()
        _listen(visit, hearing, seconds)
        listened_ms = round((time.monotonic() - begun_s) * 1000)
        now_ms = time.time_ns() // 1_000_000
        lines = [Line("right", "broker", f"{settings.broker.host}:{settings.broker.port} lets us in")]
        lines += [Line("look", "broker", f"may not subscribe to {topic}: its access list?") for topic in visit.refused]
        lines += source_lines(settings, hearing, listened_ms, now_ms)
        lines += tree_lines(hearing)
        prices = {
            heard.feed.name: str(heard.value) for heard in hearing if heard.feed.kind == "signal" and heard.last_ms
        }
        lines.append(tariff_line(settings, prices, now_ms))
        lines += _channels(settings, visit if send_test else None)
    finally:
        visit.close()
    if settings.archive is not None:
        lines.append(_archive(settings.archive))
    return lines


def _listen(visit: Visit, hearing: Hearing, seconds: float) -> None:
    columns = (TextColumn("listening"), BarColumn(), TextColumn("{task.fields[heard]} messages"))
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("", total=seconds, heard=0)
        begun_s, count = time.monotonic(), 0

        def hear(topic: str, payload: bytes, retained: bool) -> None:
            nonlocal count
            count += 1
            hearing.take(topic, payload, time.time_ns() // 1_000_000, retained=retained)

        def is_enough() -> bool:
            progress.update(task, completed=time.monotonic() - begun_s, heard=count)
            return hearing.is_complete

        visit.listen(hearing.subscriptions(), seconds, hear, is_enough)


def _channels(settings: Settings, visit: Visit | None) -> Iterator[Line]:
    for channel in settings.channels:
        if visit is None:
            yield Line("wait", f"channel {channel.name}", "not tried; --send-test sends it one message")
        else:
            trouble = _send(settings, channel, visit)
            yield Line("look" if trouble else "right", f"channel {channel.name}", trouble or "took a test message")


def _send(settings: Settings, channel: Channel, visit: Visit) -> str:
    """Send one test message; what went wrong, or nothing."""
    if channel.mqtt:
        topic = channel.topic or f"{settings.topic_root}/episodes"
        payload = json.dumps({"what": "test", "house": settings.house.id, "text": BODY})
        return "" if visit.publish(topic, payload) else f"the broker did not take a message on {topic}"
    from wattround.notify.outlets import AppriseOutlet

    outlet = AppriseOutlet(channel, lambda *_: None)
    return outlet.send(Message(channel.name, time.time_ns() // 1_000_000, TITLE, BODY, "{}"))


def _archive(archive: Archive) -> Line:
    """Whether the archive is reached and lets us write; writing nothing shows both."""
    from wattround.archive.shipper import Port, Refused

    try:
        port = Port(archive)
    except MissingSecret as missing:
        return Line("look", "archive", str(missing))
    try:
        port.write([])
    except ConnectionError as trouble:
        return Line("look", "archive", f"{archive.url} cannot be reached: {trouble}")
    except Refused as refusal:
        return Line("look", "archive", f"{archive.url}: {refusal}")
    finally:
        port.close()
    return Line("right", "archive", f"{archive.url} takes what we write")


def show(lines: Sequence[Line], echo: Callable[[str], None]) -> None:
    """Print what is to be looked at first, then what is right."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    grid = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    for line in lines:
        grid.add_row(SHOWN[line.state], Text(line.what), Text(line.says))
    console.print(grid)
    count = sum(line.state == "look" for line in lines)
    waiting = sum(line.state == "wait" for line in lines)
    more = f", {waiting} cannot be told yet" if waiting else ""
    echo(f"{count or 'nothing'} to look at{more}.")


__all__ = ["CannotVisit", "MissingSecret", "look", "show"]
