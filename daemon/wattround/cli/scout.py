"""`wattround scout`: listen to a broker or read a recording, and say what is there."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import IO, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from wattround.analysis.scout.capture import (
    MOST_LINE_BYTES,
    BrokenCapture,
    Edge,
    Message,
    first_line,
    last_line,
    line,
    message,
    messages,
)
from wattround.analysis.scout.compare import Comparison, Difference, compare, hear
from wattround.analysis.scout.draft import Broker as Reached
from wattround.analysis.scout.draft import Facts, draft, house_lines
from wattround.analysis.scout.leftout import LeftOut
from wattround.analysis.scout.rewiring import rewire
from wattround.analysis.scout.scouting import Scouted, scouted
from wattround.config.load import examine_text
from wattround.config.model import Broker, House, Settings
from wattround.ingest.visit import CannotVisit, Visit

MOST_BYTES = 2_000_000_000
"""What a listening may write to the disk; then it ends early."""
WIDTH = 118
MOST_DIGITS = 12


class NothingFound(Exception):  # noqa: N818 - reads as what it is
    """Nothing came, or nothing that could be read; the text says what to do."""


class Recording(NamedTuple):
    """A file of what was heard, and what cut the listening short, if anything did."""

    path: Path
    trouble: str = ""

    def messages(self) -> Iterator[Message | Edge]:
        """What it holds, from the beginning.

        Raises:
            BrokenCapture: if it is no recording.
            OSError: if it cannot be read.
        """
        with self.path.open("rb") as file:
            yield from messages(iter(lambda: file.readline(MOST_LINE_BYTES), b""))


# -- listening --------------------------------------------------------------------------------------


def visitor(broker: Broker) -> Settings:
    """Settings for somebody who only listens."""
    return Settings(house=House(id="scout", time_zone="UTC", currency="-"), broker=broker, meters=())


@contextmanager
def recording(broker: Broker, topic_filter: str, seconds: float, kept: Path | None) -> Iterator[Recording]:
    """Listen, and give what was heard: in a file that is kept, or in one that is gone afterwards.

    Raises:
        CannotVisit: if the broker is not reached or refuses us.
        MissingSecret: if its password cannot be read.
        FileExistsError: if the file to be kept is there already.
    """
    visit = Visit(visitor(broker))
    try:
        if kept is not None:
            number = os.open(kept, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            path = kept
        else:
            number, name = tempfile.mkstemp(prefix="wattround-scout-")
            path = Path(name)
        try:
            with os.fdopen(number, "w") as file:
                trouble = _listen(visit, topic_filter, seconds, file)
            yield Recording(path, trouble)
        finally:
            if kept is None:
                path.unlink()
    finally:
        visit.close()


def _listen(visit: Visit, topic_filter: str, seconds: float, file: IO[str]) -> str:
    """Write down what comes until the time is over; what cut it short."""
    trouble = ""
    topics: set[int] = set()
    count = size = 0
    print(first_line(_now_ms()), file=file)

    def take(topic: str, payload: bytes, retained: bool) -> None:
        nonlocal count, size
        text = line(message(_now_ms(), topic, payload, retained=retained))
        count, size = count + 1, size + len(text)
        if len(topics) < 100_000:
            topics.add(hash(topic))
        print(text, file=file)

    with _progress() as bar:
        task = bar.add_task("", total=seconds, heard="")
        begun_s = time.monotonic()

        def is_over() -> bool:
            heard = f"{count:,} messages on {len(topics):,} topics"
            bar.update(task, completed=time.monotonic() - begun_s, heard=heard)
            return size > MOST_BYTES

        try:
            visit.listen({topic_filter: 0}, seconds, take, is_over)
        except CannotVisit as lost:
            trouble = str(lost)
        except KeyboardInterrupt:
            trouble = "stopped"
    print(last_line(_now_ms()), file=file)
    if size > MOST_BYTES:
        trouble = f"more than {MOST_BYTES // 1_000_000} MB came"
    if visit.refused:
        trouble = f"the broker refuses {', '.join(visit.refused)}: may this user read it?"
    if trouble and not count:
        raise CannotVisit(trouble)
    return trouble


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _progress() -> Progress:
    console = Console(stderr=True)
    columns = (
        TextColumn("listening"),
        BarColumn(),
        TimeRemainingColumn(compact=True),
        TextColumn("{task.fields[heard]}"),
    )
    return Progress(*columns, console=console, transient=True, disable=not console.is_terminal)


# -- looking ----------------------------------------------------------------------------------------


def look(heard: Recording) -> Scouted:
    """Recognise what was heard.

    Raises:
        NothingFound: if nothing came, or only what is retained.
        BrokenCapture: if it is no recording.
    """
    found = scouted(heard.messages())
    of = found.heard
    seconds = of.lasting_ms // 1000
    if not of.messages:
        raise NothingFound(
            f"nothing was said in {seconds} s: is it the right broker, may this user read its topics, "
            "and are the meters on? --for 1h listens for longer"
        )
    if of.messages == of.retained:
        raise NothingFound(
            f"only {of.retained} retained messages came in {seconds} s: they say which topics there are, not what "
            "comes and how often: listen for longer, as --for 1h"
        )
    return found


class Wanted(NamedTuple):
    """What the draft is to have beside what was heard: a broker, this machine's time zone, what a person has said.

    `likely`: places that are only likely, too.
    """

    broker: Reached | None
    zone: str
    facts: Facts
    likely: bool


def wanted(broker: Reached | None, facts: Facts, *, likely: bool) -> Wanted:
    """The same, once it is seen that it makes sense.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    if facts.price:
        facts = facts._replace(price=_price(facts.price))
    zone = local_zone()
    meter = '[[meters]]\nname = "x"\npower = { topic = "x" }\n'
    problems, _ = examine_text("\n".join([*house_lines(zone, facts), meter]))
    for problem in problems:
        option = _OPTIONS.get(problem.key)
        if option is not None and problem.severity == "error":
            raise ValueError(f"{option}: found {problem.found}; expected {problem.expected}")
    return Wanted(broker, zone, facts, likely)


def _price(found: str) -> str:
    try:
        price = Decimal(found)
        if price.is_finite() and abs(price.adjusted()) < MOST_DIGITS:
            return f"{price:f}"
    except ArithmeticError:
        pass
    raise ValueError(f'--price: found "{found}"; expected the price of a kilowatt-hour such as 0.28')


_OPTIONS = {
    "house.id": "--house", "house.time_zone": "--time-zone", "house.currency": "--currency",
    "house.price_per_kwh": "--price", "ledger.folder": "--ledger",
}  # fmt: skip


def drafted(found: Scouted, heard: Recording, into: Wanted) -> str:
    """The settings as text, with the places of the meters as far as their moves show them.

    Raises:
        NothingFound: if there is no meter that the daemon could read.
    """
    if not found.meters:
        rest = f"; {len(found.maybe)} that may be some are not sure enough" if found.maybe else ""
        raise NothingFound(f"no power and no energy that wattround can read{rest}: see what was left out")
    _, settings = examine_text(draft(found, into.broker, into.zone, into.facts))
    if settings is not None:
        rewire(found, settings, heard.messages(), likely=into.likely)
    return draft(found, into.broker, into.zone, into.facts)


def compared(found: Scouted, heard: Recording, settings: Settings) -> Comparison:
    """What the broker and the settings do not have in common."""
    return compare(found, settings, hear(settings, heard.messages()))


def local_zone() -> str:
    """The time zone of this machine, by name; UTC where it has none."""
    for name in (os.environ.get("TZ", ""), _linked_zone()):
        if name in available_timezones():
            return ZoneInfo(name).key
    return "UTC"


def _linked_zone() -> str:
    try:
        return str(Path("/etc/localtime").readlink()).partition("zoneinfo/")[2]
    except OSError:
        return ""


# -- printing ---------------------------------------------------------------------------------------


def show_left_out(found: Scouted, trouble: str) -> None:
    """The table of what is not in the draft, beside it: on the terminal even where the draft goes into a file."""
    console = _console(stderr=True)
    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    for number in range(3):
        table.add_column(justify="right" if number == 0 else "left", overflow="fold")
    count = 0
    for row in found.left_out:
        count += row.number
        table.add_row(Text(str(row.number)), Text(row.reason, "bold" if row.recognised else ""), Text(_plain(row)))
    of = found.heard
    console.print(Text(f"{of.messages} messages, {of.retained} retained, {of.duplicates} that came twice."))
    console.print(Text("Left out of the draft, and why:" if count else "Nothing was left out."))
    console.print(table)
    if trouble:
        console.print(Text(f"The listening ended early: {trouble}."))


def _plain(row: LeftOut) -> str:
    names = ["".join(sign if sign.isprintable() else "?" for sign in name)[:60] for name in row.examples]
    return ", ".join(names) + (" ..." if row.number > len(names) and names else "")


def show_comparison(found: Comparison, file: Path) -> None:
    """Three lists, and how long each is."""
    console = _console(stderr=False)
    for title, rows in (
        (f"The broker has, {file} does not read:", found.unread),
        (f"{file} expects, and it never came:", found.unheard),
        ("Another unit than the settings say:", found.unlike),
    ):
        if rows:
            console.print(Text(title))
            console.print(_differences(rows))
    numbers = (len(found.unread), len(found.unheard), len(found.unlike))
    console.print(Text(f"{numbers[0]} not read, {numbers[1]} not heard, {numbers[2]} with another unit."))


def _differences(rows: Iterable[Difference]) -> Table:
    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 2))
    for row in rows:
        table.add_row(Text("".join(sign if sign.isprintable() else "?" for sign in row.where)), Text(row.says))
    return table


def _console(*, stderr: bool) -> Console:
    console = Console(stderr=stderr, highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    return console


__all__ = ["BrokenCapture", "CannotVisit", "NothingFound", "compared", "drafted", "look", "recording", "wanted"]
