"""What one commit of the ledger holds. All of it, or nothing, is written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from wattround.metering.minute import Minute, Patch


class EpisodeRow(NamedTuple):
    """An episode as it stands; written when raised and again when settled."""

    rule: str
    load: str
    began_ms: int
    raised_ms: int
    settled_ms: int | None
    waste_uwh: int
    cost: str
    reason: str | None
    unpriced_uwh: int = 0


class Message(NamedTuple):
    """A message for one channel. `facts` is what a machine reads, as JSON; `ref` names its bulletin (0: none)."""

    channel: str
    created_ms: int
    title: str
    body: str
    facts: str
    ref: int = 0


class SignalRow(NamedTuple):
    """A word of a person's presence (kind "person": home or away) or of a signal (kind "signal").

    Or an outdoor temperature that was imported (kind "outdoor", name "hour" or "day"): degrees Celsius, the mean of
    the hour that begins then, or of the local day that holds it.
    """

    at_ms: int
    kind: str
    name: str
    value: str


class EntryRow(NamedTuple):
    """What a person entered, changed or removed at an instant: its kind, its number in it, its body as JSON.

    The body is None once it was removed.
    """

    kind: str
    number: int
    at_ms: int
    body: str | None


class Waiting(NamedTuple):
    """A message in the outbox that has not been sent yet."""

    id: int
    message: Message
    attempts: int


class Delivery(NamedTuple):
    """What became of an attempt to send a message."""

    id: int
    at_ms: int
    sent: bool
    trouble: str = ""
    given_up: bool = False


@dataclass(slots=True)
class Batch:
    """Rows in the order in which they arose; stamped readings by (meter, instant); late instants by meter."""

    rows: list[Minute | Patch] = field(default_factory=list)
    journal: dict[tuple[str, int], float | None] = field(default_factory=dict)
    late: dict[str, set[int]] = field(default_factory=dict)
    episodes: list[EpisodeRow] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    deliveries: list[Delivery] = field(default_factory=list)
    signals: list[SignalRow] = field(default_factory=list)
    entries: list[EntryRow] = field(default_factory=list)
    reshipped: list[tuple[int, int, int]] = field(default_factory=list)
    states: dict[str, Any] = field(default_factory=dict)
    pressing: bool = False

    @property
    def urgent(self) -> bool:
        """Whether it should not wait for the next checkpoint: something was told, or is to be."""
        return self.pressing or bool(self.episodes or self.messages or self.deliveries)


class ArchiveRow(NamedTuple):
    """A meter's minute on its way to the archive, as text; `revision`: how often it was amended after shipping."""

    minute: int
    meter_id: int
    revision: int
    line: str
