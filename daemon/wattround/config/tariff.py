"""The tables that say what electricity costs: tariffs by date, their prices, standing charges, taxes and credit."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from wattround.config.kinds import DayOfYear, Duration, FilePath, Name, Price, TimeOfDay, Weekday
from wattround.config.part import DAY_MS, MINUTE_MS, Part

MOST = 1_000_000
MOST_DECIMALS = 9
"""Of a price: what is exact to the billionth of a unit per kWh is exact to the last microwatt-hour of a year."""


def _day(found: object) -> object:
    if isinstance(found, str):
        try:
            return date.fromisoformat(found)
        except ValueError:
            raise ValueError("a date such as 2026-01-01") from None
    if isinstance(found, datetime) or not isinstance(found, date):
        raise ValueError("a date such as 2026-01-01")  # noqa: TRY004 - pydantic tells of ValueErrors
    return found


def _amount(found: Decimal) -> Decimal:
    exponent = found.as_tuple().exponent
    if isinstance(exponent, int) and exponent < -MOST_DECIMALS:
        raise ValueError(f"at most {MOST_DECIMALS} decimals")
    if found.copy_abs() > MOST:  # abs() rounds, and fails for an exponent beyond all
        raise ValueError(f"an amount of at most {MOST}")
    return found


def _charge(found: Decimal) -> Decimal:
    if found < 0:
        raise ValueError("at least 0")
    return found


Day = Annotated[date, BeforeValidator(_day)]
Amount = Annotated[Price, AfterValidator(_amount)]
"""Money; where it must not be negative, `tariffcheck` says so."""
Charge = Annotated[Amount, AfterValidator(_charge)]


class Band(Part):
    """A price for some hours; one without conditions is for whatever no other band is for."""

    name: Name
    price_per_kwh: Amount
    between: tuple[TimeOfDay, TimeOfDay] | None = None
    weekdays: tuple[Weekday, ...] | None = Field(default=None, min_length=1)
    season: tuple[DayOfYear, DayOfYear] | None = None
    holidays: bool | None = None

    @property
    def minutes(self) -> tuple[int, int]:
        """Begin and end in minutes after midnight of the day that owns the window; the end is the later."""
        begins, ends = self.between or (0, 1440)
        return (begins, ends) if ends > begins else (begins, ends + 1440)

    @property
    def is_rest(self) -> bool:
        """Whether it is for whatever no other band is for."""
        conditions = (self.weekdays, self.season, self.holidays)
        return (self.between or (0, 1440)) == (0, 1440) and conditions == (None, None, None)


class Block(Part):
    """A price for the kilowatt-hours of a billing period up to a bound; the last block has none."""

    upto_kwh: Price | None = Field(default=None, gt=Decimal(0), le=Decimal(1_000_000_000))
    price_per_kwh: Amount


class Dynamic(Part):
    """A price that changes by itself: what a signal says, or a file of times and prices."""

    signal: Name | None = None
    file: FilePath | None = None
    hold: Duration | None = Field(default=None, ge=MINUTE_MS, le=366 * DAY_MS)
    factor: Price = Field(default=Decimal(1), gt=Decimal(0), le=Decimal(1_000_000))
    plus_per_kwh: Amount = Decimal(0)


class Energy(Part):
    """What a kilowatt-hour costs, or earns: one of a flat price, bands, blocks, or a dynamic price."""

    price_per_kwh: Amount | None = None
    bands: tuple[Band, ...] | None = Field(default=None, min_length=1)
    blocks: tuple[Block, ...] | None = Field(default=None, min_length=1)
    dynamic: Dynamic | None = None


class Tariff(Energy):
    """What is paid from a day on."""

    from_: Day | None = Field(default=None, alias="from")
    name: str = Field(default="", max_length=64)
    standing_per_day: Charge = Decimal(0)
    standing_per_month: Charge = Decimal(0)
    tax_percent: Price = Field(default=Decimal(0), ge=Decimal(0), le=Decimal(1000))
    export: Energy | None = None
    holidays: tuple[Day, ...] = ()
    negative_prices: bool = False

    @property
    def title(self) -> str:
        """What a person calls it."""
        return self.name or (f"from {self.from_}" if self.from_ else "")


class Billing(Part):
    """When the utility's periods begin."""

    first_day: int = Field(default=1, ge=1, le=28)
    months: Literal[1, 2, 3, 4, 6, 12] = 1
    first_month: int = Field(default=1, ge=1, le=12)
