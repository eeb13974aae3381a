"""Two reports of one house side by side: what each row was, and which loads account for what is new."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from wattround.analysis.adding import rounded
from wattround.analysis.report import DAY_MS, Report, Row
from wattround.money.amount import NOTHING, to_cents

Key = tuple[str, str]
"""Kind and name of a row."""


class Change(NamedTuple):
    """What a row had in the other period, scaled to the length of this one; None: it was not there."""

    kwh: Decimal | None
    money: Decimal | None


def scale(found: Report, before: Report) -> Decimal:
    """What the earlier figures are multiplied by: 1 for periods of the same number of days, else by their lengths."""
    if round(found.elapsed_ms / DAY_MS) != round(before.elapsed_ms / DAY_MS) or found.elapsed_ms < DAY_MS:
        return Decimal(found.elapsed_ms) / before.elapsed_ms
    return Decimal(1)


def changes(found: Report, before: Report | None) -> Mapping[Key, Change]:
    """What each row had before. Scaled rows are rounded so that they add up as those of a report do."""
    if before is None:
        return {}
    times, total = scale(found, before), before.total
    return dict(_scaled(total, times, to_cents(total.kwh * times), to_cents(total.money * times)))


def _scaled(row: Row, times: Decimal, kwh: Decimal, money: Decimal) -> Iterator[tuple[Key, Change]]:
    yield (row.kind, row.name), Change(kwh, money)
    of_kwh = rounded([part.kwh * times for part in row.within], kwh)
    of_money = rounded([part.money * times for part in row.within], money)
    for part, *values in zip(row.within, of_kwh, of_money, strict=True):
        yield from _scaled(part, times, *values)
    for part in row.beside:
        yield from _scaled(part, times, to_cents(part.kwh * times), to_cents(part.money * times))


@dataclass(frozen=True, slots=True)
class Step:
    """What one load, or what no load accounts for, adds to the difference. `then_*` are scaled.

    `heard` is the share of the time in which it was heard, then and now; None where that is no question. `others`: how
    many small ones it stands for.
    """

    label: str
    then_kwh: Decimal
    now_kwh: Decimal
    then_money: Decimal
    now_money: Decimal
    heard: tuple[float | None, float | None] = (None, None)
    others: int = 0

    @property
    def kwh(self) -> Decimal:
        """More than then."""
        return self.now_kwh - self.then_kwh

    @property
    def money(self) -> Decimal:
        """More than then."""
        return self.now_money - self.then_money

    def plus(self, other: Step) -> Step:
        """Both as one."""
        return Step(
            self.label, self.then_kwh + other.then_kwh, self.now_kwh + other.now_kwh,
            self.then_money + other.then_money, self.now_money + other.now_money, others=self.others + 1,
        )  # fmt: skip


class Bridge(NamedTuple):
    """From one total to the other: `total` is the sum of the steps, to the last digit."""

    total: Step
    steps: Sequence[Step]

    def shortened(self, most: int) -> Bridge:
        """The same with no more than so many steps, the last of them for all that are small."""
        if len(self.steps) <= most:
            return self
        rest = Step("", NOTHING, NOTHING, NOTHING, NOTHING)
        for each in self.steps[most - 1 :]:
            rest = rest.plus(each)
        return Bridge(self.total, [*self.steps[: most - 1], rest])


def bridge(found: Report, before: Report) -> Bridge:
    """From the total of `before` to that of `found`, by the rows that have none under them; the largest step first."""
    then = changes(found, before)
    was, now = ({(row.kind, row.name): row for row, _ in leaves(each.total)} for each in (before, found))
    labels = {(row.kind, row.name): label for each in (before, found) for row, label in leaves(each.total)}
    steps = []
    for key, label in labels.items():
        old, heard = then.get(key, Change(None, None)), (_heard(was.get(key), before), _heard(now.get(key), found))
        steps.append(_step(label, old, now.get(key), heard))
    steps.sort(key=lambda step: (-abs(step.money), -abs(step.kwh), step.label))
    heard = (_heard(before.total, before), _heard(found.total, found))
    return Bridge(_step(found.total.label, then["total", before.total.name], found.total, heard), steps)


def _step(label: str, then: Change, now: Row | None, heard: tuple[float | None, float | None]) -> Step:
    kwh, money = (now.kwh, now.money) if now else (NOTHING, NOTHING)
    return Step(label, then.kwh or NOTHING, kwh, then.money or NOTHING, money, heard)


def leaves(row: Row) -> Iterator[tuple[Row, str]]:
    """Rows that have none under them, which together are all of this one, with names that stand alone."""
    if not row.within:
        yield row, row.label
    for part in row.within:
        if part.within or part.kind == "load" or row.kind == "total":
            yield from leaves(part)
        else:
            yield part, f"{row.label} {part.label}"


def _heard(row: Row | None, of: Report) -> float | None:
    return None if row is None or row.covered_ms is None else row.covered_ms / of.elapsed_ms
