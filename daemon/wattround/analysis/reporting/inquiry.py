"""What is asked of a report, and the ledger open while it is looked at."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.naming import no_load
from wattround.analysis.periods import Days, WrongPeriod, against, chosen, clipped
from wattround.analysis.profile import Profile, profile
from wattround.analysis.report import Report, Scene, report
from wattround.analysis.reporting.listed import Listed, listed
from wattround.config.model import Settings
from wattround.ledger.tally import Kept, Tally
from wattround.metering.localtime import local_date
from wattround.metering.minute import MINUTE_MS


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asked for."""

    period: str = ""
    first: date | None = None
    last: date | None = None
    against: str = ""
    load: str = ""


class Found(NamedTuple):
    """The report, the one to compare it with, and what listed loads explain of it; or a load's profile."""

    zone: ZoneInfo
    report: Report | None
    before: Report | None
    profile: Profile | None
    currency: str
    listed: Sequence[Listed] = ()


def find(settings: Settings, asked: Asked, now_ms: int) -> Found:
    """Everything that was asked for, worked out before anything is written.

    Raises:
        WrongPeriod: if the days make no sense, the ledger has nothing of them, or there is no such load.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    with looking(settings, asked, now_ms) as look:
        return answer(look, asked)


def answer(look: Look, asked: Asked) -> Found:
    """What was asked for, of a ledger in hand.

    Raises:
        WrongPeriod: if the ledger has nothing of the time to compare with.
        ValueError: if an entry of the inventory cannot be read.
    """
    zone, currency = look.scene.zone, look.scene.settings.house.currency
    if asked.load:
        return Found(zone, None, None, profile(look.scene, asked.load, *look.span, look.kept), currency)
    before = look.clip(against(asked.against, look.days)) if asked.against else None
    found = report(look.scene, *look.span, look.kept)
    compared = report(look.scene, *before, look.kept) if before else None
    return Found(zone, found, compared, None, currency, listed(look.scene, found))


class Look(NamedTuple):
    """The house, what its ledger has, the days that were asked for and what the ledger has of them, from and to."""

    scene: Scene
    kept: Kept
    days: Days
    span: tuple[int, int]

    def clip(self, days: Days) -> tuple[int, int]:
        """What the ledger has of other days.

        Raises:
            WrongPeriod: if that is nothing.
        """
        return clipped(days, self.kept.begin * MINUTE_MS, self.kept.end * MINUTE_MS, self.scene.zone)


@contextmanager
def looking(settings: Settings, asked: Asked, now_ms: int) -> Iterator[Look]:
    """The ledger, open while somebody looks; raises what `find` does."""
    tally = Tally(Path(settings.ledger.folder), settings.house.id)
    try:
        yield look_at(tally, settings, asked, now_ms)
    finally:
        tally.close()


def look_at(tally: Tally, settings: Settings, asked: Asked, now_ms: int) -> Look:
    """The same, with the ledger in hand.

    Raises:
        WrongPeriod: if the days make no sense, the ledger has nothing of them, or there is no such load.
    """
    zone = ZoneInfo(settings.house.time_zone)
    days = chosen(asked.period, asked.first, asked.last, local_date(now_ms, zone))
    kept = tally.kept()
    if kept is None:
        raise WrongPeriod("the ledger has no minutes yet: let the daemon run for some days")
    span = clipped(days, kept.begin * MINUTE_MS, kept.end * MINUTE_MS, zone)
    scene = Scene.of(tally, settings)
    trouble = no_load(asked.load, scene.meters) if asked.load else ""
    if trouble:
        raise WrongPeriod(f"--load: {trouble}")
    return Look(scene, kept, days, span)
