"""Ledgers of small houses for reports, written by the real writer, and a plain account of them to compare with."""

import random
from datetime import UTC, datetime

import pandas as pd

from support.history import write
from support.house import settings_of
from wattround.analysis.report import Scene, report
from wattround.ledger.tally import Tally
from wattround.metering.minute import Minute

BEGIN = 1_780_012_800 // 60 // 60 * 60  # 2026-05-29 00:00 UTC
ROLES = {"supply": "supply", "roof": "generation", "board": "circuit", "oven": "circuit", "tv": "circuit"}
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "roof"
role = "generation"
within = "supply"
power = { topic = "t/roof" }
[[meters]]
name = "board"
label = "Board"
within = "supply"
power = { topic = "t/board" }
[[meters]]
name = "oven"
within = "board"
active_w = 100
standby_w = 1
power = { topic = "t/oven" }
[[meters]]
name = "tv"
label = "Television"
within = "supply"
active_w = 40
power = { topic = "t/tv" }
"""
HEAD = '[house]\nid = "testhouse"\ntime_zone = "{zone}"\ncurrency = "EUR"\n'
FLAT = HEAD.replace("{zone}", "Europe/Berlin") + "price_per_kwh = 0.25\n"


def row(meter, minute, watts, covered=60_000, peak=None, low=None, origin=1):
    energy = round(abs(watts) * covered / 3.6)
    top, bottom = (round(1000 * (watts if each is None else each)) for each in (peak, low))
    return Minute(meter, minute, energy if watts > 0 else 0, energy if watts < 0 else 0, covered, top, bottom, origin)


def random_house(seed, minutes, begin=BEGIN, sunny=True, gaps=0.02):
    """Minutes of a house that agrees with itself, some of them missing or covered in part."""
    rng = random.Random(seed)
    rows = []
    for minute in range(begin, begin + minutes):
        oven, tv = rng.choice([0.0, 2.0, 1800.0]), rng.choice([0.4, 2.1, 118.0])
        board, rest = oven + rng.choice([0, 30]), rng.choice([60, 240])
        roof = rng.choice([0, 0, 500, 3000]) if sunny else 0
        watts = {"supply": board + tv + rest - roof, "roof": roof, "board": board, "oven": oven, "tv": tv}
        for name, of in watts.items():
            if rng.random() < gaps:
                if rng.random() < 0.5:
                    rows.append(row(name, minute, of, covered=rng.randrange(1, 60_000)))
                continue
            rows.append(row(name, minute, of))
    return rows


def house(folder, rows, text=METERS, head=FLAT, roles=ROLES):
    """A ledger and what looks at it."""
    write(folder / "ledger", rows, roles)
    settings = settings_of(text, folder / "ledger", head)
    tally = Tally(folder / "ledger", "testhouse")
    return Scene.of(tally, settings), tally


def of(scene, from_ms, to_ms):
    return report(scene, from_ms, to_ms, scene.tally.kept())


def by_name(found):
    return {(row.kind, row.name): row for row in found.total.walk()}


def frame(rows, zone="Europe/Berlin"):
    """The same minutes for pandas."""
    found = pd.DataFrame(rows, columns=Minute._fields)
    found["net"] = found["in_uwh"] - found["out_uwh"]
    found["local"] = pd.to_datetime(found["minute"] * 60, unit="s", utc=True).dt.tz_convert(zone)
    return found


def ms(year, month, day, hour=0, minute=0, zone=UTC):
    return int(datetime(year, month, day, hour, minute, tzinfo=zone).timestamp()) * 1000
