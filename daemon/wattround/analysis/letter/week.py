"""The week's total: against the week before, and against days like these in the house's own past."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal

from wattround.analysis.comparison import bridge, scale
from wattround.analysis.letter.alike import NEAR_K, Week, week
from wattround.analysis.letter.past import Pages
from wattround.analysis.letter.told import Sum
from wattround.analysis.report import DAY_MS, Report
from wattround.analysis.reporting.watts import house_signs
from wattround.analysis.reporting.words import WEEKDAYS
from wattround.metering.localtime import local_date
from wattround.money.amount import UWH_PER_KWH, cell_text, to_cents

SURELY = 2.0
"""Standard deviations, so that one week in twenty is called unlike others by chance."""
NO_WEEK_BEFORE = "There is nothing to compare with: of the week before the ledger has less than half."
HOUSE = ""
"""Key of the house among its loads: no load has such a name."""


class Total:
    """What is said of the house as a whole."""

    def __init__(self, pages: Pages, found: Report, before: Report | None) -> None:
        self._pages, self._found, self._before = pages, found, before
        self._took_wh = pages.by_day({HOUSE: house_signs(pages.look.scene)})[HOUSE]
        self._like = week(pages.week, pages.week[0], self._took_wh, pages.outdoor_c)

    def sums(self) -> Iterator[Sum]:
        """The lines of the account."""
        total = self._found.total
        yield Sum("This week", f"{total.kwh}", cell_text(total.money, total.unpriced_uwh))
        if self._before is not None:
            of = bridge(self._found, self._before).total
            yield Sum("The week before", f"{of.then_kwh}", f"{of.then_money}")
            yield Sum("More than then", f"{of.kwh:+}", f"{of.money:+}")
        if self._like is not None:
            usual = kwh(self._like.expected_wh)
            yield Sum("Days like these" if self._is_whole else "Days like these *", f"{usual}", self._money(usual))

    def says(self) -> Iterator[str]:
        """What the figures mean."""
        if self._before is None:
            yield NO_WEEK_BEFORE
        elif scale(self._found, self._before) != 1:
            now, then = (f"{each.elapsed_ms / DAY_MS:.1f}" for each in (self._found, self._before))
            yield f"The ledger has {now} days of this week and {then} of the one before, which is scaled to that."
        yield from self._gaps()
        yield from self._alike()
        yield from self._weather()
        own = self._found.account
        if own.standing or own.credit:
            parts = f"standing charges of {own.standing}" if own.standing else ""
            parts += f"{' and ' if parts else ''}a credit of {own.credit}" if own.credit else ""
            yield f"With {parts} the week's bill is {own.total} {self._currency}."

    @property
    def _currency(self) -> str:
        return self._found.settings.house.currency

    def _gaps(self) -> Iterator[str]:
        look = self._pages.look
        last = local_date(look.span[1] - 1, look.scene.zone)
        if last < self._pages.week[-1]:
            yield f"The ledger has this week up to {names([last])} so far."
        missing = [day for day in self._pages.week if day <= last and day not in self._took_wh]
        if missing:
            yield f"The house was not heard well enough on {names(missing)} to compare {_these(missing)}."

    def _money(self, of_kwh: Decimal) -> str:
        """At this week's mean price."""
        total = self._found.total
        priced = total.uwh - total.unpriced_uwh
        if priced <= 0:
            return ""
        return f"{to_cents(of_kwh * total.exact * UWH_PER_KWH / priced)}"

    def _alike(self) -> Iterator[str]:
        like = self._like
        if like is None:
            yield "What days like these usually take cannot be told yet: too few earlier ones are like them."
            return
        apart, around = like.took_wh - like.expected_wh, SURELY * like.scatter_wh
        side = "more" if apart > 0 else "less"
        verdict = "that is nothing unusual" if abs(apart) <= around else "such weeks seldom differ by so much"
        subject = (
            "This week" if self._is_whole else f"* {names(like.days)} together, which took {kwh(like.took_wh)} kWh,"
        )
        verb, off = "is" if self._is_whole else "are", kwh(abs(apart))
        yield (
            f"{subject} {verb} {f'{off} kWh {side} than' if off else 'just'} what days like these took before"
            f" ({kwh(like.expected_wh)} kWh, give or take {kwh(around)}): {verdict}."
        )
        yield f"{like.like} earlier days stand behind that: {_how(like, self._pages)}."

    @property
    def _is_whole(self) -> bool:
        return self._like is not None and len(self._like.days) == len(self._pages.week)

    def _weather(self) -> Iterator[str]:
        now, then = (self._pages.mean_c(days) for days in (self._pages.week, self._pages.before))
        if now is None:
            return
        apart = (
            ""
            if then is None
            else f", {abs(now - then):.1f} {'warmer' if now >= then else 'colder'} than the week before"
        )
        yield f"It was {now:.1f} \N{DEGREE SIGN}C outside in the mean{apart}."


def _how(like: Week, pages: Pages) -> str:
    """In what those days are like these."""
    kinds = f"working days and weekends with an outdoor temperature within {NEAR_K:g} degrees"
    if not like.by_weekday:
        return kinds
    if len(like.by_weekday) == len(like.days):
        why = "too few had such weather" if pages.outdoor_c else "outdoor temperatures are not known"
        return f"the same weekdays, as {why}"
    return f"{kinds}; for {names(like.by_weekday)} only the same weekdays"


def names(days: Sequence[date]) -> str:
    """Days of a week, as people name them."""
    return ", ".join(WEEKDAYS[day.weekday()] for day in days)


def kwh(watt_hours: float) -> Decimal:
    """Kilowatt-hours, to the hundredth."""
    return to_cents(Decimal(repr(round(watt_hours, 3))) / 1000)


def _these(days: Sequence[date]) -> str:
    return "it" if len(days) == 1 else "them"
