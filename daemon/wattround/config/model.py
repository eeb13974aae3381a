"""The settings: one frozen value, made from one TOML file."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import Field, SecretStr, field_validator

from wattround.config.kinds import (
    WEEKDAYS,
    Behind,
    Duration,
    FilePath,
    KnownMeter,
    MeterName,
    Name,
    Number,
    OpenTopic,
    Pointer,
    Price,
    Sign,
    TimeOfDay,
    Topic,
    placeholder,
)
from wattround.config.letter import WeeklyLetter
from wattround.config.page import Page
from wattround.config.part import DAY_MS, MINUTE_MS, Part
from wattround.config.rule import Manners, OccupancyWays, Rule, Signal, Templates
from wattround.config.tariff import Billing, Tariff

Role = Literal["supply", "generation", "storage", "circuit", "appliance"]


class House(Part):
    """What is metered, where its clocks stand, and what a kilowatt-hour costs there."""

    id: Name
    name: str = ""
    time_zone: str
    currency: str = Field(min_length=1, max_length=8)
    price_per_kwh: Price | None = Field(default=None, ge=Decimal(0), le=Decimal(1_000_000))
    latitude: Number | None = Field(default=None, ge=-90, le=90)
    longitude: Number | None = Field(default=None, ge=-180, le=180)
    mains_v: Number = Field(default=230.0, gt=0, le=1000)
    outdoor_signal: Name | None = None
    outdoor_unit: Literal["C", "F"] = "C"

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, found: str) -> str:
        try:
            ZoneInfo(found)
        except (OSError, ValueError, KeyError):
            raise ValueError('a time zone of the IANA database such as "Europe/Madrid"') from None
        return found


class Tls(Part):
    """Encryption to the broker; `[broker.tls]` alone trusts the CAs of the system."""

    ca_file: FilePath | None = None
    certificate_file: FilePath | None = None
    key_file: FilePath | None = None


class Broker(Part):
    """The MQTT broker at home."""

    host: str = Field(default="127.0.0.1", min_length=1)
    port: int = Field(default=1883, ge=1, le=65_535)
    protocol: Literal["5", "3.1.1"] | None = None
    client_id: str = Field(default="", max_length=64)
    keepalive: Duration = Field(default=30_000, ge=5_000, le=65_000_000)
    user: str | None = None
    password: SecretStr | None = None
    password_file: FilePath | None = None
    password_credential: str | None = None
    tls: Tls | None = None

    @field_validator("host")
    @classmethod
    def _only_a_host(cls, found: str) -> str:
        name, _, port = found.rpartition(":")
        if "/" in found or found != "".join(found.split()) or (port.isdigit() and ":" not in name):
            raise ValueError('a name or an address alone, such as "192.0.2.7"; the port goes into port, TLS into tls')
        return found


class Ledger(Part):
    """The local database."""

    folder: FilePath = "/var/lib/wattround"
    checkpoint: Duration = Field(default=60_000, ge=1000, le=600_000)
    keep_minutes: Duration = Field(default=1100 * DAY_MS, ge=2 * DAY_MS)
    keep_readings: Duration = Field(default=2 * DAY_MS, ge=60 * MINUTE_MS)


class Archive(Part):
    """A time-series database that speaks the InfluxDB v2 write API."""

    url: str = Field(pattern=r"^https?://[^\s@]+$")
    org: str = "home"
    bucket: str = "wattround"
    token: SecretStr | None = None
    token_file: FilePath | None = None
    token_credential: str | None = None
    ca_file: FilePath | None = None
    amended: Literal["overwrite", "newest"] = "overwrite"


class Source(Part):
    """A topic and how to read its payload: plain number, JSON at a pointer, or a SenML record.

    `behind` and `decimal_comma` are for texts that are no bare number: what stands behind it, and how it is written.
    """

    topic: OpenTopic
    pointer: Pointer | None = None
    senml: str | None = None
    behind: Behind | None = None
    decimal_comma: bool = False
    factor: Number = 1.0
    sign: Sign = 1
    time_pointer: Pointer | None = None
    time_unit: Literal["s", "ms", "rfc3339"] = "s"

    @property
    def stamped(self) -> bool:
        """Whether its readings carry their own time."""
        return self.senml is not None or self.time_pointer is not None


class PowerSource(Source):
    """Instantaneous power."""

    unit: Literal["W", "kW", "mW"] = "W"
    offset_w: Number = 0.0


class CounterSource(Source):
    """A cumulative register of energy, or pulses."""

    unit: Literal["Wh", "kWh", "pulses"] = "kWh"
    pulses_per_kwh: Number | None = Field(default=None, gt=0)
    rollover_wh: Number | None = Field(default=None, gt=0)


class Availability(Part):
    """A topic on which a source says that it is gone."""

    topic: OpenTopic
    pointer: Pointer | None = None
    offline: tuple[str, ...] = Field(min_length=1)


class Meter(Part):
    """One measured point, or a pattern that makes one meter for each name captured from the topic."""

    name: MeterName
    label: str = ""
    tags: tuple[Name, ...] = ()
    role: Role = "circuit"
    within: KnownMeter | None = None
    sum_of: tuple[KnownMeter, ...] | None = Field(default=None, min_length=1)
    less: tuple[KnownMeter, ...] = ()
    multiple: Number = Field(default=1.0, gt=0)
    accuracy_percent: Number | None = Field(default=None, gt=0, le=50)
    meter_class: Literal["A", "B", "C", "1", "2"] | None = None
    clamp_class: Literal["0.2", "0.5", "1", "3"] | None = None
    power: PowerSource | None = None
    counter: CounterSource | None = None
    availability: Availability | None = None
    hold: Duration = Field(default=90_000, ge=1000, le=DAY_MS)
    standby_w: Number = Field(default=0.5, ge=0)
    active_w: Number | None = Field(default=None, gt=0)
    active_release_w: Number | None = Field(default=None, gt=0)
    lowest_w: Number | None = None
    highest_w: Number = Field(default=100_000.0, gt=0)
    breaker_a: Number | None = Field(default=None, gt=0, le=1000)
    at_most: int = Field(default=64, ge=1, le=20_000)

    @property
    def captured(self) -> str | None:
        """The captured level's name if this entry is a pattern."""
        return placeholder(self.name)

    @property
    def computed(self) -> bool:
        """Whether it is made of other meters instead of being read."""
        return self.sum_of is not None

    @property
    def floor_w(self) -> float:
        """Watts below which a reading is refused: a plug cannot generate, a clamp may sit the wrong way round."""
        if self.lowest_w is not None:
            return self.lowest_w
        return -50.0 if self.role == "appliance" else -self.highest_w

    @property
    def release_w(self) -> float | None:
        """Watts below which an active load stops being active."""
        if self.active_w is None:
            return None
        return 0.8 * self.active_w if self.active_release_w is None else self.active_release_w

    @property
    def title(self) -> str:
        """What a person calls it."""
        return self.label or self.name


class Person(Part):
    """Somebody whose presence a topic tells."""

    name: Name
    topic: Topic
    pointer: Pointer | None = None
    home: tuple[str, ...] = Field(min_length=1)
    believable: Duration = Field(default=DAY_MS, ge=MINUTE_MS)


class Mark(Part):
    """A named time of day, the same all week or by weekday."""

    every: TimeOfDay | None = None
    mon: TimeOfDay | None = None
    tue: TimeOfDay | None = None
    wed: TimeOfDay | None = None
    thu: TimeOfDay | None = None
    fri: TimeOfDay | None = None
    sat: TimeOfDay | None = None
    sun: TimeOfDay | None = None

    def minutes(self, weekday: int) -> int | None:
        """Minutes after midnight of that day (0 = Monday), or None on a day without this mark."""
        own = getattr(self, WEEKDAYS[weekday])
        return self.every if own is None else own


class Channel(Part):
    """A way to reach people: `mqtt = true` for topics of our own, else the URL of a service."""

    name: Name
    mqtt: bool = False
    topic: Topic | None = None
    raw: bool | None = None
    most_a_day: int | None = Field(default=None, ge=1, le=1000)
    url: SecretStr | None = None
    url_file: FilePath | None = None
    url_credential: str | None = None

    @property
    def is_raw(self) -> bool:
        """Whether it is for programs: every raise and settle at once, one message each, without manners."""
        return self.mqtt if self.raw is None else self.raw


class Settings(Part):
    """The whole file."""

    house: House
    broker: Broker = Broker()
    ledger: Ledger = Ledger()
    archive: Archive | None = None
    page: Page = Page()
    letter: WeeklyLetter | None = None
    meters: tuple[Meter, ...]
    people: tuple[Person, ...] = ()
    signals: tuple[Signal, ...] = ()
    tariffs: tuple[Tariff, ...] = ()
    billing: Billing = Billing()
    occupancy: OccupancyWays = OccupancyWays()
    marks: dict[Name, Mark] = {}  # noqa: RUF012 - pydantic copies defaults
    rules: tuple[Rule, ...] = ()
    channels: tuple[Channel, ...] = ()
    manners: Manners = Manners()
    templates: Templates = Templates()

    @property
    def protocol(self) -> Literal["5", "3.1.1"]:
        """What to speak to the broker where the file does not say.

        MQTT 5 where counters or stamped readings are kept for us: it lets the broker send hundreds of them
        before the first is on disk. 3.1.1 elsewhere: it takes half the work per message.
        """
        sources = [source for meter in self.meters for source in (meter.power, meter.counter)]
        kept = any(source is not None and (isinstance(source, CounterSource) or source.stamped) for source in sources)
        return self.broker.protocol or ("5" if kept else "3.1.1")

    @property
    def client_id(self) -> str:
        """The broker's name for us; fixed, so that it can keep what arrives while we are away."""
        return self.broker.client_id or f"wattround-{self.house.id}"

    @property
    def topic_root(self) -> str:
        """The level under which wattround publishes."""
        return f"wattround/{self.house.id}"
