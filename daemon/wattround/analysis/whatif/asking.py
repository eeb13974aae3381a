"""From what a person asked to a change that can be worked out."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from wattround.analysis.whatif.change import Change
from wattround.analysis.whatif.home import Home
from wattround.analysis.whatif.load import Stretch
from wattround.analysis.whatif.move import Move
from wattround.analysis.whatif.off import Off
from wattround.analysis.whatif.replace import Labelled, Replace
from wattround.analysis.whatif.shorter import Shorter
from wattround.analysis.whatif.slow import Slow
from wattround.analysis.whatif.standby import NoStandby
from wattround.analysis.whatif.times import empty_times, windows
from wattround.config.kinds import WEEKDAYS, clock_time, duration_ms, sun_time
from wattround.config.model import Settings
from wattround.config.part import MINUTE_MS
from wattround.config.problems import nearest
from wattround.config.rulecheck import edges as edge_findings
from wattround.core.rulebook import day_time
from wattround.rules.marks import Edges

KINDS = {
    "--off": "off", "--off-when-empty": "off_when_empty", "--no-standby": "no_standby", "--shorten-by": "shorten_by",
    "--shorten-to": "shorten_to", "--move-to": "move_to", "--speed-to": "speed_to", "--watts": "watts",
    "--kwh-per-year": "kwh_per_year",
}  # fmt: skip
BESIDE = {"--between": ("between", "--no-standby"), "--speed-from": ("speed_from", "--speed-to"),
          "--standby-watts": ("standby_watts", "--watts")}  # fmt: skip
MOST = 1e6
_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*(rpm|%)?")


class WrongQuestion(Exception):  # noqa: N818 - a person asked for what cannot be
    """A change that makes no sense, or is not possible for a load."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The options of the command as they were written; what was not given is empty, or None."""

    off: str = ""
    off_when_empty: bool = False
    no_standby: bool = False
    between: str = ""
    weekdays: str = ""
    shorten_by: str = ""
    shorten_to: str = ""
    move_to: str = ""
    speed_from: str = ""
    speed_to: str = ""
    watts: float | None = None
    standby_watts: float | None = None
    kwh_per_year: float | None = None
    price: str = ""

    @property
    def kinds(self) -> list[str]:
        """The kinds of change that were asked for."""
        return [option for option, name in KINDS.items() if self._has(name)]

    def _has(self, name: str) -> bool:
        found = getattr(self, name)
        return found is not None and found is not False and found != ""

    def strays(self) -> list[str]:
        """Options that need another beside them."""
        found = [option for option, (name, beside) in BESIDE.items() if self._has(name) and beside not in self.kinds]
        if self.weekdays and "--off" not in self.kinds and not self.between:
            found.append("--weekdays")
        return found


def kind_of(asked: Asked) -> str:
    """The one kind of change that was asked for.

    Raises:
        WrongQuestion: for none, several, or an option that goes with another kind.
    """
    kinds = asked.kinds
    if len(kinds) != 1:
        found = " and ".join(kinds) or "none"
        raise WrongQuestion(f"expected one change; found {found}; one of {', '.join(KINDS)}")
    for option in asked.strays():
        beside = "--off, or --no-standby with --between" if option == "--weekdays" else BESIDE[option][1]
        raise WrongQuestion(f"{option}: expected {beside} beside it")
    return kinds[0]


def change_of(asked: Asked, home: Home, load: str, span_ms: tuple[int, int]) -> Change:
    """The change of a load that was asked for, over [from_ms, to_ms).

    Raises:
        WrongQuestion: for what makes no sense.
    """
    asking = _Asking(asked, home, load, span_ms)
    makers = {
        "--off": asking.off, "--off-when-empty": asking.off_when_empty, "--no-standby": asking.no_standby,
        "--shorten-by": asking.shorten_by, "--shorten-to": asking.shorten_to, "--move-to": asking.move_to,
        "--speed-to": asking.speed_to, "--watts": asking.watts, "--kwh-per-year": asking.kwh_per_year,
    }  # fmt: skip
    return makers[kind_of(asked)]()


def price_of(asked: Asked) -> Decimal | None:
    """What the change would cost; None if that was not asked.

    Raises:
        WrongQuestion: for what is no price.
    """
    if not asked.price:
        return None
    try:
        found = Decimal(asked.price)
    except InvalidOperation:
        found = Decimal("NaN")
    if not found.is_finite() or not 0 < found <= Decimal(MOST):
        raise WrongQuestion(f'--price: found "{asked.price}"; expected an amount of money above 0, such as 120')
    return found


# -- kinds ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Asking:
    """Makes the change of each kind."""

    asked: Asked
    home: Home
    load: str
    span_ms: tuple[int, int]

    def off(self) -> Change:
        return Off(*self._times("--off", self.asked.off, self.asked.weekdays))

    def off_when_empty(self) -> Change:
        if not self.home.settings.people:
            raise WrongQuestion("--off-when-empty: expected at least one [[people]] entry in the settings")
        away = empty_times(self.home.slices, self.home.settings, *self.span_ms)
        if not away.stretches:
            raise WrongQuestion("--off-when-empty: the house is not known to have been empty in this time")
        return Off(away.stretches, "while nobody is home", notes=tuple(away.notes()))

    def no_standby(self) -> Change:
        if self.home.meters[self.load].active_w is None:
            raise WrongQuestion(
                f"--no-standby: {self.load} has no active_w: standby cannot be told from use; wattround levels"
                " proposes one"
            )
        if not self.asked.between:
            return NoStandby(None, "")
        return NoStandby(*self._times("--between", self.asked.between, self.asked.weekdays))

    def shorten_by(self) -> Change:
        return Shorter("by", _minutes("--shorten-by", self.asked.shorten_by))

    def shorten_to(self) -> Change:
        return Shorter("to", _minutes("--shorten-to", self.asked.shorten_to))

    def move_to(self) -> Change:
        stretches, _ = self._times("--move-to", self.asked.move_to, "")
        return Move(stretches, self.asked.move_to)

    def speed_to(self) -> Change:
        return _slow(self.asked)

    def watts(self) -> Change:
        rest = self.asked.standby_watts
        return Replace(
            _amount("--watts", self.asked.watts or 0.0), None if rest is None else _amount("--standby-watts", rest)
        )

    def kwh_per_year(self) -> Change:
        return Labelled(_amount("--kwh-per-year", self.asked.kwh_per_year or 0.0))

    def _times(self, option: str, words: str, weekdays: str) -> tuple[tuple[Stretch, ...], str]:
        """The windows of a text such as "bedtime-rising", and how to say it."""
        settings = self.home.settings
        begins, ends = edges_of(option, words, settings)
        days = weekdays_of(weekdays)
        edges = Edges(day_time(begins, settings), day_time(ends, settings), days)
        found = windows(edges, *self.span_ms, self.home.zone)
        if not found:
            raise WrongQuestion(f"{option}: {words} never comes in this time")
        on = f" ({', '.join(WEEKDAYS[day] for day in sorted(days))})" if days else ""
        return found, f"from {begins} to {ends}{on}"


# -- times ----------------------------------------------------------------------------------------


def edges_of(option: str, words: str, settings: Settings) -> tuple[str, str]:
    """Both edges of a text such as "23:00-06:30", "bedtime-rising" or "sunset+30m-sunrise".

    Raises:
        WrongQuestion: if there are none, or they make no window.
    """
    cuts = [at for at, sign in enumerate(words) if sign == "-"]
    ways = [(words[:at].strip(), words[at + 1 :].strip()) for at in cuts]
    for way in ways:
        if all(_is_edge(edge, settings) for edge in way):
            for finding in edge_findings(settings, (), way):
                raise WrongQuestion(f"{option}: found {finding.found}; expected {finding.expected}")
            return way
    known = ", ".join(settings.marks) or "none yet"
    unknown = [edge for way in ways for edge in way if not _is_edge(edge, settings)]
    near = nearest(unknown[0], settings.marks) if len(ways) == 1 and settings.marks else ""
    hint = near if near.startswith("did you mean") else f"marks: {known}"
    raise WrongQuestion(
        f'{option}: found "{words}"; expected two edges of the day such as 23:00-06:30, marks such as bedtime-rising,'
        f" or the sun ({hint})"
    )


def _is_edge(edge: str, settings: Settings) -> bool:
    try:
        return edge in settings.marks or clock_time(edge) is not None or sun_time(edge) is not None
    except ValueError:  # a clock with more than 29 hours
        return False


def weekdays_of(words: str) -> frozenset[int] | None:
    """Numbers of days such as "mon,tue"; None: every day.

    Raises:
        WrongQuestion: for what is no weekday.
    """
    if not words:
        return None
    return frozenset(_weekday(each.strip()) for each in words.split(","))


def _weekday(found: str) -> int:
    if found not in WEEKDAYS:
        raise WrongQuestion(f'--weekdays: found "{found}"; expected days such as mon,tue: {", ".join(WEEKDAYS)}')
    return WEEKDAYS.index(found)


# -- numbers --------------------------------------------------------------------------------------


def _minutes(option: str, words: str) -> int:
    try:
        found = duration_ms(words) // MINUTE_MS
    except ValueError as trouble:
        raise WrongQuestion(f'{option}: found "{words}"; expected {trouble}') from None
    if not found:
        raise WrongQuestion(f'{option}: found "{words}"; expected at least one minute, as "10m"')
    return found


def _amount(option: str, found: float) -> float:
    if not math.isfinite(found) or not 0 <= found <= MOST:
        raise WrongQuestion(f"{option}: found {found:g}; expected a number from 0 to {MOST:.0f}")
    return found


def _slow(asked: Asked) -> Slow:
    """Speeds both in rpm, or one in per cent of the other."""
    to, unit = _speed("--speed-to", asked.speed_to)
    if unit == "%":
        if asked.speed_from:
            raise WrongQuestion("--speed-from: expected it only beside a --speed-to in rpm, not in per cent")
        return Slow(_ratio(f"{to:g} %", to / 100), f"to {to:g} % of its speed")
    if not asked.speed_from:
        raise WrongQuestion(
            f'--speed-to: found "{asked.speed_to}"; expected --speed-from beside it, or per cent as in 80%'
        )
    begin, unit = _speed("--speed-from", asked.speed_from)
    if unit == "%":
        raise WrongQuestion(f'--speed-from: found "{asked.speed_from}"; expected a speed in rpm, such as 1800')
    stated = f"from {begin:g} to {to:g} rpm"
    return Slow(_ratio(f"{to:g} rpm", to / begin if begin else math.inf, f" ({begin:g} rpm)"), stated)


def _ratio(to: str, ratio: float, now: str = "") -> float:
    if not 0 < ratio < 1:
        raise WrongQuestion(f"--speed-to: found {to}; expected less than the speed now{now}, and more than 0")
    return ratio


def _speed(option: str, words: str) -> tuple[float, str]:
    match = _SPEED.fullmatch(words.strip())
    if not match:
        raise WrongQuestion(f'{option}: found "{words}"; expected a speed such as 1500 (rpm) or 80%')
    return float(match[1]), match[2] or ""
