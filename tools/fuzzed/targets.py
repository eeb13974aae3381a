"""What comes from outside, each as a function of bytes that raises only where wattround is wrong."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from functools import cache
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from fuzzed.served import Kept, command, heard, visit
from wattround.analysis.scout.capture import BrokenCapture, messages
from wattround.analysis.scout.scouting import scouted
from wattround.analysis.sheet import Shape, WrongSheet, read
from wattround.config.load import examine_text
from wattround.config.model import Settings
from wattround.config.pricefile import BadPrices, prices_of
from wattround.core.book import entered
from wattround.core.entry import Household
from wattround.core.house import HouseCore
from wattround.ingest.delivery import LIVE, QUEUED, RETAINED
from wattround.ledger.book import Book
from wattround.ledger.schema import STEPS
from wattround.page.accountview import WrongQuery, asked_of

BEGIN_MS = 1_780_000_000_000
HOUSE = """
[house]
id = "fuzzed"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28
outdoor_signal = "outdoor"
[[people]]
name = "imre"
topic = "t/imre"
home = ["home"]
[[signals]]
name = "outdoor"
topic = "t/outdoor"
pointer = "/c"
[[meters]]
name = "plain"
active_w = 40
power = { topic = "t/plain" }
[[meters]]
name = "both"
power = { topic = "t/both", pointer = "/power/0/w", time_pointer = "/at", time_unit = "rfc3339" }
counter = { topic = "t/both", pointer = "/kwh", unit = "kWh", time_pointer = "/at", time_unit = "rfc3339" }
[[meters]]
name = "pack"
power = { topic = "t/pack", senml = "urn:dev:ow:1/power" }
[[meters]]
name = "{room}"
power = { topic = "plugs/{room}/w", pointer = "/w" }
[[channels]]
name = "hub"
mqtt = true
[[rules]]
name = "left-on"
load = "plain"
occupancy = "empty"
[[rules]]
name = "cold"
signals = [{ signal = "outdoor", below = 5.0 }]
"""
TOPICS = ("t/plain", "t/both", "t/pack", "t/imre", "t/outdoor", "plugs/x/w", "wattround/fuzzed/request")


@cache
def _settings() -> Settings:
    problems, settings = examine_text(HOUSE)
    assert settings is not None, problems
    return settings


@cache
def _book() -> Book:
    db = sqlite3.connect(":memory:")
    for step in STEPS:
        db.executescript(step)
    return Book(db, "fuzzed")


def message(data: bytes) -> None:
    """Messages to the whole core, each behind a byte that says on which topic and how it came."""
    house = HouseCore(_settings(), BEGIN_MS, lambda _meter, _at_ms: None)
    for number, part in enumerate(data.split(b"\x00")[:20]):
        how, payload = part[:1] or b"\x01", part[1:]
        timing = (LIVE, RETAINED, QUEUED)[how[0] // 7 % 3]
        house.take((TOPICS[how[0] % 7], payload, 1000 * number, timing, None), BEGIN_MS + 1000 * number)
        house.tick(BEGIN_MS + 1000 * number)
    for _, answer in house.replies:
        json.loads(answer)


def settings(data: bytes) -> None:
    """A configuration file."""
    with suppress(UnicodeDecodeError):
        problems, _ = examine_text(data.decode())
        for problem in problems:
            problem.text("wattround.toml")


def capture(data: bytes) -> None:
    """A recording that scout reads."""
    with suppress(BrokenCapture):
        scouted(messages(io.BytesIO(data)))


def sheet(data: bytes) -> None:
    """A table of temperatures."""
    with suppress(UnicodeDecodeError, WrongSheet):
        read(data.decode(), ZoneInfo("Europe/Madrid"), Shape("", "", "C"), BEGIN_MS)


def entry(data: bytes) -> None:
    """What a command, or the page, asks to have entered into the book."""
    with suppress(ValueError, RecursionError):  # what the control socket answers for
        entered(_book(), json.loads(data), Household(BEGIN_MS, date(2026, 5, 28), {"plain": "circuit"}), BEGIN_MS)


def query(data: bytes) -> None:
    """The address of the page's account."""
    try:
        found = dict(parse_qsl(data.decode(), max_num_fields=20))
    except ValueError:
        return
    with suppress(WrongQuery):
        asked_of(found)


def prices(data: bytes) -> None:
    """A table of prices."""
    with suppress(UnicodeDecodeError, BadPrices):
        list(prices_of(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)))


@cache
def _kept() -> Kept:
    return Kept(HOUSE)


def written(data: bytes) -> None:
    """One message, behind a byte as above, to a house that writes down what comes of it."""
    how = (data[:1] or b"\x01")[0]
    heard(_kept(), TOPICS[how % 7], data[1:], (LIVE, RETAINED, QUEUED)[how // 7 % 3])


def control(data: bytes) -> None:
    """A line at the control socket."""
    command(_kept(), data)


def page(data: bytes) -> None:
    """A request to the page."""
    visit(_kept(), data)


TARGETS: dict[str, Callable[[bytes], None]] = {
    each.__name__: each for each in (message, written, settings, capture, sheet, prices, entry, control, query, page)
}
