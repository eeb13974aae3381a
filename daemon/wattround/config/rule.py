"""The tables that say what to watch for and how to tell it: rules, signals, manners, templates."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from wattround.config.kinds import Duration, Edge, KnownMeter, Name, Number, Pointer, Topic, Weekday, words_of
from wattround.config.part import DAY_MS, HOUR_MS, MINUTE_MS, Part

LevelName = Literal["off", "standby", "active"]
Trouble = Literal["archive", "broker", "channel", "disk", "ledger"]
Urgency = Literal["urgent", "normal", "digest"]
Per = Literal["day", "week", "month"]
Words = Annotated[tuple[str, ...], BeforeValidator(words_of), Field(min_length=1)]
Levels = Annotated[
    tuple[LevelName, ...],
    BeforeValidator(lambda found: (found,) if isinstance(found, str) else found),
    Field(min_length=1),
]


class Signal(Part):
    """Any other fact from a topic: a window contact, motion, the outdoor temperature, what a player does."""

    name: Name
    topic: Topic
    pointer: Pointer | None = None
    believable: Duration = Field(default=7 * DAY_MS, ge=MINUTE_MS)


class SignalTest(Part):
    """What a signal must say, and for how long it must have said so."""

    signal: Name
    is_: Words | None = Field(default=None, alias="is")
    is_not: Words | None = None
    above: Number | None = None
    below: Number | None = None
    lasting: Duration = Field(default=0, le=7 * DAY_MS)


class OccupancyWays(Part):
    """When the house counts as empty."""

    settling: Duration = Field(default=0, le=DAY_MS)
    guests: SignalTest | None = None


class Spent(Part):
    """More energy or money than this in a period; with `on_course`, as soon as it is going to be."""

    over_wh: Number | None = Field(default=None, gt=0)
    over_money: Number | None = Field(default=None, gt=0)
    per: Per = "day"
    on_course: bool = False


class Rule(Part):
    """What to watch for: all that is stated must hold at once, for `lasting`."""

    name: Name
    load: KnownMeter | None = None
    loads: tuple[KnownMeter, ...] | None = Field(default=None, min_length=1)
    tag: Name | None = None
    together: bool = False
    level: Levels | None = None
    above_w: Number | None = None
    below_w: Number | None = None
    release_w: Number | None = None
    occupancy: Literal["empty", "occupied"] | None = None
    between: tuple[Edge, Edge] | None = None
    outside: tuple[Edge, Edge] | None = None
    weekdays: tuple[Weekday, ...] | None = Field(default=None, min_length=1)
    signals: tuple[SignalTest, ...] = ()
    ran_today: Duration | None = Field(default=None, ge=MINUTE_MS)
    starts_per_hour: int | None = Field(default=None, ge=1, le=1000)
    spent: Spent | None = None
    base_load_up_w: Number | None = Field(default=None, gt=0)
    unheard: Duration | None = Field(default=None, ge=MINUTE_MS, le=30 * DAY_MS)
    exceeded_by_w: Number | None = Field(default=None, gt=0)
    breaker_share: Number | None = Field(default=None, gt=0, le=2)
    trouble: tuple[Trouble, ...] | None = Field(default=None, min_length=1)
    worn_off: bool = False
    lasting: Duration | None = Field(default=None, le=7 * DAY_MS)
    release: Duration = Field(default=2 * MINUTE_MS, le=DAY_MS)
    urgency: Urgency = "normal"
    remind_after: Duration | None = Field(default=None, ge=MINUTE_MS)
    tell: tuple[Name, ...] | None = None

    @property
    def of_load(self) -> bool:
        """Whether it is about loads; else about the house as a whole."""
        return self.load is not None or self.loads is not None or self.tag is not None

    @property
    def levels(self) -> tuple[LevelName, ...]:
        """Levels at which it holds; a load that nothing else is asked of must be active. None: any."""
        if self.level is not None or not self.of_load:
            return self.level or ()
        asked = (
            self.above_w, self.below_w, self.ran_today, self.starts_per_hour, self.spent, self.unheard,
            self.exceeded_by_w, self.breaker_share, self.worn_off or None,
        )  # fmt: skip
        return ("active",) if all(part is None for part in asked) else ()

    @property
    def lasting_ms(self) -> int:
        """How long all must hold: as stated, else what suits the kind of rule."""
        if self.lasting is not None:
            return self.lasting
        if self.breaker_share is not None or self.exceeded_by_w is not None:
            return 3 * HOUR_MS
        counted = (
            self.ran_today, self.starts_per_hour, self.spent, self.base_load_up_w, self.unheard, self.worn_off or None,
        )  # fmt: skip
        return 10 * MINUTE_MS if all(part is None for part in counted) else 0


class Manners(Part):
    """How people are told; channels for programs (raw) are told at once."""

    quiet: tuple[Edge, Edge] | None = None
    digest_at: Edge = "08:00"
    gather: Duration = Field(default=30_000, le=10 * MINUTE_MS)
    remind_after: Duration = Field(default=3 * HOUR_MS, ge=MINUTE_MS)
    reminders: int = Field(default=2, ge=0, le=20)
    most_a_day: int = Field(default=8, ge=1, le=1000)
    ends: Literal["news", "digest", "never"] = "news"


class Template(Part):
    """Jinja2 text for one kind of message."""

    title: str | None = Field(default=None, max_length=4000)
    body: str | None = Field(default=None, max_length=20_000)


class Templates(Part):
    """What replaces the built-in texts."""

    raised: Template = Template()
    settled: Template = Template()
    reminder: Template = Template()
    digest: Template = Template()
