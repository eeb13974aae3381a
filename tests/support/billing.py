"""Ledgers of whole months at plain watts, written by the real writer, and bills held against them."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from support.history import write
from support.homes import row
from support.house import settings_of
from wattround.analysis.billcheck import check
from wattround.analysis.report import Scene
from wattround.core.bill import Bill
from wattround.ledger.tally import Tally

BERLIN = ZoneInfo("Europe/Berlin")
HEAD = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\n'
FLAT = f"{HEAD}price_per_kwh = 0.25\n"
SUPPLY = '[[meters]]\nname = "supply"\nrole = "supply"\nmeter_class = "B"\npower = { topic = "t/supply" }\n'


def minute_of(text, zone=BERLIN):
    """The minute since 1970 of a local time such as "2026-03-01 00:00"."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) // 60


def stretch(name, begin, end, watts, zone=BERLIN):
    """Minutes of a meter between two local times; `watts`: a number, or what it is at a local time (None: silent)."""
    rows = []
    for minute in range(minute_of(begin, zone), minute_of(end, zone)):
        of = watts
        if callable(watts):
            of = watts(datetime.fromtimestamp(minute * 60, UTC).astimezone(zone))
        if of is not None:
            rows.append(row(name, minute, of))
    return rows


def look(folder, rows, text=SUPPLY, head=FLAT, roles=None):
    """The scene of a ledger of these rows; who has it closes its tally."""
    write(folder / "ledger", rows, roles or {"supply": "supply"})
    return Scene.of(Tally(folder / "ledger", "testhouse"), settings_of(text, folder / "ledger", head))


def bill(begin="2026-03-01", end="2026-03-31", **stated):
    """A bill as it would be read from the book."""
    entry = {"from": begin, "to": end, **{key: str(value) for key, value in stated.items()}}
    return Bill.model_validate({"class" if key == "meter_class" else key: value for key, value in entry.items()})


def held(scene, of, number=1):
    return check(scene, number, of, scene.tally.kept())
