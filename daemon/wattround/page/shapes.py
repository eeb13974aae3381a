"""What the API answers, as OpenAPI describes it. Units stand in the names; money is text, so that nothing is lost."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field


class Shape(BaseModel):
    """Any of them."""

    model_config = ConfigDict(extra="ignore")


class MeterNow(Shape):
    """A meter as it stands."""

    name: str
    label: str
    role: str
    depth: int
    within: str | None
    computed: bool
    watts_w: float | None = Field(description="null: not heard")
    unmeasured_w: float | None = Field(description="what the meters within it do not account for")
    level: Literal["off", "standby", "active"] | None
    today_in_wh: float
    today_out_wh: float
    today_cost: str
    today_unpriced_wh: float
    readings: int
    age_s: float | None
    bad_payloads: int


class EpisodeNow(Shape):
    """An open episode."""

    rule: str
    load: str
    label: str
    hushed: bool
    began_ms: int
    raised_ms: int
    lasting_s: int
    waste_wh: float
    cost: str
    unpriced_wh: float


class HushNow(Shape):
    """What is hushed."""

    rule: str
    load: str | None
    until: str


class Now(Shape):
    """The house as it stands."""

    house: str
    time_zone: str
    currency: str
    now_ms: int
    occupancy: Literal["empty", "occupied", "unknown"] | None
    meters: list[MeterNow]
    episodes: list[EpisodeNow]
    hushes: list[HushNow]


class CellOf(Shape):
    """A stretch of time; mean watts are null where nothing was heard."""

    from_ms: int
    to_ms: int
    mean_w: float | None
    covered_ms: int


class LoadOf(Shape):
    """A load's watts over time: minutes of a day, quarters and hours of a week, days of a year."""

    name: str
    label: str
    span: Literal["day", "week", "month", "year"]
    from_ms: int
    to_ms: int
    energy_kwh: float
    cells: list[CellOf]


class EpisodeOf(Shape):
    """An episode of the ledger."""

    rule: str
    load: str
    began_ms: int
    raised_ms: int
    settled_ms: int | None
    reason: str | None
    lasting_s: int
    waste_wh: float
    cost: str
    unpriced_wh: float


class TotalOf(Shape):
    """What several episodes came to."""

    name: str
    episodes: int
    lasting_s: int
    waste_wh: float
    cost: str
    unpriced_wh: float


class Episodes(Shape):
    """Open and past episodes, and what each rule and load came to."""

    as_of_ms: int
    open: list[EpisodeOf]
    past: list[EpisodeOf]
    by_rule: list[TotalOf]
    by_load: list[TotalOf]


class HushAsked(BaseModel):
    """Hush a rule, about one load or all, for so many seconds, until the load is off, or for good; or end that."""

    model_config = ConfigDict(extra="forbid", strict=True)

    do: Literal["hush", "unhush"]
    rule: str = Field(max_length=64)
    load: str | None = Field(default=None, max_length=64)
    for_s: int | None = Field(default=None, ge=1, le=366 * 86_400)
    until: Literal["off", "good"] | None = None


class Done(Shape):
    """What was done."""

    done: str


class Trouble(Shape):
    """Why not."""

    trouble: str


class WrongValue(Shape):
    """A value that is not what it should be."""

    where: str
    why: str


class Wrong(Trouble):
    """A request that is not what it should be."""

    found: list[WrongValue]


class ChangeOf(Shape):
    """A change as the book has it."""

    number: int
    name: str
    on: list[str]
    at: datetime
    until: datetime | None
    cost: str | None
    expect_wh: str | None = Field(description="a day; less than 0: to use more")
    by: str
    along_with: str | None
    note: str


class WatchOf(Shape):
    """A proven saving that the daemon follows; `worn_off` is null while no day has been judged."""

    change: str
    on: list[str]
    since: date
    saved_wh: float = Field(description="a day, as it was proven")
    days_judged: int
    worn_off: bool | None


class TrialToday(Shape):
    """What a trial wants done, until when at least."""

    do: Literal["on", "off"]
    means: str
    until_ms: int


class TurnOf(Shape):
    """A day of a trial; `left_out`: what was to be done was not done."""

    day: date
    do: Literal["on", "off"]
    left_out: bool


class TrialOf(Shape):
    """A trial; `today` is null before its first day and after its last."""

    number: int
    name: str
    on: list[str]
    first: date = Field(alias="from")
    last: date = Field(alias="to")
    done_days: int
    days: int
    today: TrialToday | None
    turns: list[TurnOf]


class Proofs(Shape):
    """Changes, watched savings, trials; verdicts are null until the page has been asked to work them out."""

    state: Literal["not asked", "at work", "done", "failed"]
    trouble: str | None
    changes: list[ChangeOf]
    watched: list[WatchOf]
    trials: list[TrialOf]
    worked_out: dict[str, Any] | None = Field(description="as wattround prove all --json says it")


class Begun(Shape):
    """How far something is that a process of its own works out."""

    state: Literal["not asked", "at work", "done", "failed"]
    trouble: str | None


class LineOf(Shape):
    """One thing that was looked at: right, to be looked at, or not known yet."""

    state: Literal["right", "look", "wait"]
    what: str
    says: str


class ProblemOf(Shape):
    """Something about the settings' file."""

    severity: Literal["error", "warning"]
    text: str


class Checked(Begun):
    """What a live check has found; it is empty until one was asked for."""

    at_ms: int | None
    problems: list[ProblemOf]
    live: list[LineOf]


class LetterMade(Shape):
    """A week's letter; `channels`: when each was sent, null: it was not."""

    week: str = Field(description="as 2026-W12 (ISO 8601)")
    title: str
    made_ms: int
    channels: dict[str, int | None]


class LetterOf(LetterMade):
    """With its text."""

    body: str


class ChannelOf(Shape):
    """A channel's messages."""

    channel: str
    waiting: int
    sent: int
    given_up: int
    sent_ms: int | None
    trouble: str


class Upkeep(Shape):
    """Whether everything is heard, kept, shipped and told."""

    version: str
    broker: str
    broker_trouble: str | None
    ledger_trouble: str | None
    messages_waiting: int
    messages_dropped: int
    channels: list[ChannelOf]
    archive_cursor_minute: int | None
    archive_rows_waiting: int | None
    archive_trouble: str | None
    disk_free_bytes: int | None


class Health(Shape):
    """Whether the core answers."""

    state: Literal["running"]
