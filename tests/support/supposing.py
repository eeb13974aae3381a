"""Loads and houses for what-ifs: minutes of plain watts, and ledgers that the real writer has written."""

from pathlib import Path

from support.history import write
from support.homes import FLAT, METERS, ROLES
from support.house import settings_of
from wattround.analysis.whatif.home import Home
from wattround.analysis.whatif.load import Load
from wattround.ledger.slices import Slices

ACTIVE_W, STANDBY_W = 40.0, 0.5


def uwh(watts, minutes=1):
    """Whole microwatt-hours of so many minutes."""
    return round(watts * minutes * 1e6 / 60)


def load_of(watts, begin=0, active_w=ACTIVE_W, standby_w=STANDBY_W):
    """A load of one steady draw a minute; None is a minute that was not covered."""
    rows = []
    for at, draw in enumerate(watts):
        if draw is None:
            continue
        energy, ran = uwh(draw), draw >= active_w
        idle = energy if standby_w <= draw < active_w else 0
        rows.append((begin + at, energy, 60_000, 60_000, 60_000 * ran, energy * ran, idle))
    return Load.of(begin, begin + len(watts), [rows])


def home_of(folder: Path, rows, text=METERS, head=FLAT, roles=ROLES):
    """A house with these minutes in its ledger."""
    write(folder / "ledger", rows, roles)
    settings = settings_of(text, folder / "ledger", head)
    return Home.of(Slices(folder / "ledger", "testhouse"), settings)
