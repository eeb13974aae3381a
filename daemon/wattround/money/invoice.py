"""What energy comes to on an invoice: line by line, each rounded to the cent, as an invoice has it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Literal, NamedTuple

from wattround.metering.localtime import instant_ms, local_date
from wattround.money.amount import NOTHING, UWH_PER_KWH, cost, to_cents
from wattround.money.billing import Period
from wattround.money.price import Rate, in_blocks
from wattround.money.schedule import Schedule, Span, Tariff

LineKind = Literal["energy", "standing", "tax", "export"]
Unit = Literal["kWh", "days", "months", "%"]


class Used(NamedTuple):
    """What the house bought from the grid and gave back in (a part of) a span, in microwatt-hours."""

    span: Span
    import_uwh: int
    export_uwh: int = 0


class Part(NamedTuple):
    """Some of an energy, at the rate that it was bought at; of a rate with blocks, at that of `block`."""

    rate: Rate
    block: int | None
    uwh: int
    amount: Decimal


class Charge(NamedTuple):
    """What a use comes to, exactly, without tax; None where a price cannot be told."""

    used: Used
    parts: tuple[Part, ...]
    amount: Decimal | None
    credit: Decimal | None


def charges(uses: Iterable[Used], before: Mapping[Period, int] | None = None) -> Iterator[Charge]:
    """Price uses in order of time, exactly.

    Which block a watt-hour falls into depends on what the house bought before in the billing period: of these uses,
    and of `before`, for uses that begin later than their period. A tariff that changes within a period goes on
    counting.
    """
    had = dict(before or {})
    for used in uses:
        span = used.span
        parts = tuple(_parts(span.rate, used.import_uwh, had.get(span.period, 0)))
        had[span.period] = had.get(span.period, 0) + used.import_uwh
        known = bool(parts) or used.import_uwh == 0
        amount = sum((part.amount for part in parts), NOTHING) if known else None
        yield Charge(used, parts, amount, _credit(span, used.export_uwh))


def _parts(rate: Rate, uwh: int, before_uwh: int) -> Iterator[Part]:
    if rate.blocks:
        for place, part in in_blocks(rate.blocks, before_uwh, uwh):
            yield Part(rate, place, part, cost(rate.blocks[place].per_kwh, part))
    elif rate.per_kwh is not None and uwh:
        yield Part(rate, None, uwh, cost(rate.per_kwh, uwh))


def _credit(span: Span, uwh: int) -> Decimal | None:
    if span.export is None or uwh == 0:
        return NOTHING
    return None if span.export.per_kwh is None else cost(span.export.per_kwh, uwh)


class Line(NamedTuple):
    """One line: so much of something at a price. A credit is negative; `exact` is the amount before rounding.

    `per_unit` is None where the line sums up many prices.
    """

    kind: LineKind
    tariff: str
    name: str
    quantity: Decimal
    unit: Unit
    per_unit: Decimal | None
    exact: Decimal
    amount: Decimal


class Invoice(NamedTuple):
    """The lines of [from_ms, to_ms), and the energy whose price cannot be told: it is in no line."""

    from_ms: int
    to_ms: int
    lines: tuple[Line, ...]
    unknown_import_uwh: int
    unknown_export_uwh: int

    @property
    def total(self) -> Decimal:
        """The sum of the lines as they are rounded."""
        return sum((line.amount for line in self.lines), to_cents(NOTHING))

    @property
    def exact(self) -> Decimal:
        """The sum of the lines before rounding: what invoices of parts of the time add up to."""
        return sum((line.exact for line in self.lines), NOTHING)

    def of_kind(self, kind: LineKind) -> Decimal:
        """The sum of the lines of one kind."""
        return sum((line.amount for line in self.lines if line.kind == kind), to_cents(NOTHING))


@dataclass(slots=True)
class _Sum:
    """What has come together for one line."""

    uwh: int = 0
    exact: Decimal = NOTHING


@dataclass(slots=True)
class _Account:
    """What one tariff comes to within the invoice."""

    tariff: Tariff
    bought: dict[tuple[str, Decimal | None], _Sum] = field(default_factory=dict)
    given: dict[tuple[str, Decimal | None], _Sum] = field(default_factory=dict)

    def take(self, charge: Charge) -> None:
        for part in charge.parts:
            name, per_kwh = part.rate.name, part.rate.per_kwh
            if part.block is not None:
                name, per_kwh = f"block {part.block + 1}", part.rate.blocks[part.block].per_kwh
            _add(self.bought, (name, None if part.rate.varies else per_kwh), part.uwh, part.amount)
        export = charge.used.span.export
        if export is not None and charge.credit is not None and charge.used.export_uwh:
            key = (export.name, None if export.varies else export.per_kwh)
            _add(self.given, key, charge.used.export_uwh, charge.credit)


def _add(
    sums: dict[tuple[str, Decimal | None], _Sum], key: tuple[str, Decimal | None], uwh: int, exact: Decimal
) -> None:
    found = sums.setdefault(key, _Sum())
    found.uwh += uwh
    found.exact += exact


def invoice(
    schedule: Schedule, from_ms: int, to_ms: int, uses: Iterable[Used], before: Mapping[Period, int] | None = None
) -> Invoice:
    """The invoice for [from_ms, to_ms), local midnights; `uses` in order of time, as for `charges`.

    Rounding: each line to the cent, half up; tax on the sum of its tariff's rounded lines, and rounded itself. The
    total is the sum of what stands there. Standing charges by the month are shared out by days where a month is not
    whole, or has two tariffs.
    """
    accounts = {id(tariff): _Account(tariff) for _, _, tariff in schedule.stretches(from_ms, to_ms) if tariff}
    unknown_import = unknown_export = 0
    for charge in charges(uses, before):
        used = charge.used
        unknown_import += used.import_uwh if charge.amount is None else 0
        unknown_export += used.export_uwh if charge.credit is None else 0
        if used.span.tariff is not None:
            accounts.setdefault(id(used.span.tariff), _Account(used.span.tariff)).take(charge)
    lines = [line for account in accounts.values() for line in _lines(schedule, account, from_ms, to_ms)]
    return Invoice(from_ms, to_ms, tuple(lines), unknown_import, unknown_export)


def _lines(schedule: Schedule, account: _Account, from_ms: int, to_ms: int) -> Iterator[Line]:
    tariff = account.tariff
    taxed = [*_energy(tariff, account.bought), *_standing(schedule, tariff, from_ms, to_ms)]
    yield from taxed
    if tariff.tax_percent and taxed:
        exact = sum((line.exact for line in taxed), NOTHING) * tariff.tax_percent / 100
        rounded = sum((line.amount for line in taxed), NOTHING) * tariff.tax_percent / 100
        yield Line("tax", tariff.name, "", tariff.tax_percent, "%", None, exact, to_cents(rounded))
    for (name, per_kwh), found in account.given.items():
        quantity = Decimal(found.uwh) / UWH_PER_KWH
        yield Line("export", tariff.name, name, quantity, "kWh", per_kwh, -found.exact, to_cents(-found.exact))


def _energy(tariff: Tariff, bought: dict[tuple[str, Decimal | None], _Sum]) -> Iterator[Line]:
    for (name, per_kwh), found in bought.items():
        quantity = Decimal(found.uwh) / UWH_PER_KWH
        yield Line("energy", tariff.name, name, quantity, "kWh", per_kwh, found.exact, to_cents(found.exact))


def _standing(schedule: Schedule, tariff: Tariff, from_ms: int, to_ms: int) -> Iterator[Line]:
    stretches = [
        (_day(schedule, begin), _day(schedule, end))
        for begin, end, held in schedule.stretches(from_ms, to_ms)
        if held is tariff
    ]
    if tariff.standing_per_day:
        days = Decimal(sum((ends - begins).days for begins, ends in stretches))
        exact = days * tariff.standing_per_day
        yield Line("standing", tariff.name, "per day", days, "days", tariff.standing_per_day, exact, to_cents(exact))
    if tariff.standing_per_month:
        months = sum(
            (Decimal(days) / of for stretch in stretches for days, of in schedule.billing.month_share(*stretch)),
            NOTHING,
        )
        exact = months * tariff.standing_per_month
        per_month = tariff.standing_per_month
        yield Line("standing", tariff.name, "per month", months, "months", per_month, exact, to_cents(exact))


def _day(schedule: Schedule, at_ms: int) -> date:
    """The local day that begins at an instant; one that has begun already counts whole."""
    day = local_date(at_ms, schedule.zone)
    return day if instant_ms(day, 0, schedule.zone) == at_ms else day + timedelta(days=1)
