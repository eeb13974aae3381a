"""A house with seven weeks behind it, the last of them with the spring's clock change: something to write letters about."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from support.homes import row
from support.house import settings_of
from wattround.config.model import Settings
from wattround.ledger.batch import Batch, EntryRow, EpisodeRow, SignalRow
from wattround.ledger.writer import Writer
from wattround.metering.localtime import instant_ms
from wattround.metering.minute import Minute
from wattround.rules.drift import DriftRule, Expectation

BERLIN = ZoneInfo("Europe/Berlin")
FIRST, WEEK, END = date(2026, 2, 9), "2026-W13", date(2026, 3, 30)
"""The first day, the last week, and the Monday after it; on Sunday the 29th the clock leaves out the hour from two."""
NOW_MS = instant_ms(END, 7 * 60, BERLIN)
HOSTILE = "</title><script>alert(1)</script>"
HEAD = """
[house]
id = "testhouse"
name = "Quince & <b>Sons</b>\\u0007"
time_zone = "Europe/Berlin"
currency = "EUR"
[[tariffs]]
price_per_kwh = 0.31
standing_per_day = 0.35
"""
METERS = f"""
[[meters]]
name = "supply"
role = "supply"
power = {{ topic = "t/supply" }}
[[meters]]
name = "heater"
label = "Heater {HOSTILE}"
within = "supply"
active_w = 100
power = {{ topic = "t/heater" }}
[[meters]]
name = "tv"
label = "Television"
within = "supply"
active_w = 40
power = {{ topic = "t/tv" }}
[[meters]]
name = "freezer"
within = "supply"
power = {{ topic = "t/freezer" }}
[[meters]]
name = "shed"
within = "supply"
power = {{ topic = "t/shed" }}
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "tv-nobody-home"
load = "tv"
occupancy = "empty"
"""
ROLES = {"supply": "supply", "heater": "circuit", "tv": "circuit", "freezer": "circuit", "shed": "circuit"}
COLD = date(2026, 3, 23)
"""The last week is colder, and the television runs by day in it, from Tuesday to Thursday."""
FORGOTTEN = [COLD + timedelta(days=on) for on in (1, 2, 3)]
SILENT = COLD + timedelta(days=4)
"""On this day nothing is heard of the freezer."""


def outdoor_c(day: date) -> float:
    """Milder in every week until the last, with a wobble."""
    weeks = (day - FIRST).days // 7
    return (1.0 if day >= COLD else 2.0 + weeks) + (day.toordinal() * 7 % 5) / 4


def watts(day: date, hour: int) -> dict[str, float]:
    """What each load draws in an hour of a day."""
    tv = 120.0 if 19 <= hour < 22 or (day in FORGOTTEN and 9 <= hour < 18) else 4.0
    heater = 60 * (16 - outdoor_c(day)) if 5 <= hour < 22 else 0.0
    weekend = 150.0 if day.weekday() >= 5 else 0.0
    return {"heater": heater, "tv": tv, "freezer": 70.0, "rest": 90 + weekend}


@cache
def rows() -> tuple[Minute, ...]:
    """Every minute from the first day to the end of the last week."""
    return tuple(_rows())


def _rows() -> Iterator[Minute]:
    begin, end = (instant_ms(day, 0, BERLIN) // 60_000 for day in (FIRST, END))
    for hour in range(begin, end, 60):
        local = datetime.fromtimestamp(hour * 60, BERLIN)
        of = watts(local.date(), local.hour)
        supply = sum(of.values())
        drawn = {"supply": supply, "heater": of["heater"], "tv": of["tv"]}
        drawn |= {"freezer": of["freezer"]} if local.date() != SILENT else {}
        yield from (row(name, minute, each) for minute in range(hour, hour + 60) for name, each in drawn.items())


def words() -> list[SignalRow]:
    """Outdoor temperatures as they are imported, by day."""
    days = [FIRST + timedelta(days=on) for on in range((END - FIRST).days)]
    return [SignalRow(instant_ms(day, 720, BERLIN), "outdoor", "day", f"{outdoor_c(day):.2f}") for day in days]


def episodes() -> list[EpisodeRow]:
    """The forgotten television; one of the week before, short."""
    found = []
    for day, hours, waste_uwh, cost in [
        (COLD - timedelta(days=3), 1, 116_000_000, "0.04"),
        *((day, 9, 1_044_000_000, "0.32") for day in FORGOTTEN),
    ]:
        began_ms = instant_ms(day, 9 * 60, BERLIN)
        ends = (began_ms, began_ms + 600_000, began_ms + hours * 3_600_000)
        found.append(EpisodeRow("tv-nobody-home", "tv", *ends, waste_uwh, cost, "occupancy"))
    return found


def entries() -> list[EntryRow]:
    """Two changes, one of them watched."""
    rule = DriftRule(Expectation(2000.0, (0.0,) * 7), 200.0, 0.5, 2000.0, 0.3, 0.3, 0.5, 5.0).to_json()
    made = [
        ("change", 1, {"name": f"New timer {HOSTILE}", "on": ["heater"], "at": "2026-03-25T18:00:00+01:00"}),
        ("change", 2, {"name": "Door seal", "on": ["freezer"], "at": "2026-02-20T12:00:00+01:00"}),
        (
            "watch",
            1,
            {"change": "Door seal", "on": ["freezer"], "since": "2026-03-01", "saved_wh": "410", "rule": rule},
        ),
    ]
    return [EntryRow(kind, number, 1_772_000_000_000, json.dumps(body)) for kind, number, body in made]


WATCHED = [
    {
        "number": 1, "at_ms": 1_772_000_000_000, "until": "2026-03-28",
        "state": {"last_day": 739_338, "lingers": 0.0, "uncertain": 0.0, "surprise": 0.0, "cumulated": 0.0, "days": 24,
                  "worn_off": False},
    }
]  # fmt: skip


def letter_house(folder: Path, extra: str = "", states: dict[str, object] | None = None) -> Settings:
    """The house's settings, with its ledger in `folder`."""
    made = Writer(folder, "testhouse", NOW_MS)
    made.register(ROLES)
    batch = Batch(
        rows=list(rows()), signals=words(), episodes=episodes(), entries=entries(),
        states={"watches": WATCHED, **(states or {})},
    )  # fmt: skip
    made.commit(batch, NOW_MS, lambda _name: (1 << 31, 60_000))
    made.close()
    return settings_of(METERS + extra, folder, HEAD)
