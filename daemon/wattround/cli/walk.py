"""`wattround walk`: the session in the house. Every question is a line of the keyboard; while it waits, it listens."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, InvalidOperation

from wattround.analysis.walk.combine import Combined
from wattround.analysis.walk.round import Precision, Repeat, Round, Verdict
from wattround.analysis.walk.words import (
    CAUTIONS,
    inrush_line,
    meters_heard,
    others_line,
    verdict_lines,
    wanted_line,
    watts_text,
)
from wattround.cli.ears import Ears, Keys
from wattround.cli.inventory import hours_of
from wattround.cli.talk import Talk
from wattround.cli.walkbook import LoadBook, figures, repeats, switched
from wattround.config.model import Settings
from wattround.core.inventory import Load

FIRST_S = 60
"""How long it is listened before the first load, unless all has been heard, or the person goes on."""
FIRST_READINGS = 20
LONG_MS = 45_000
STANDBY = Precision(0.25, 0.5, 2)
MOST_BLIND = 4
"""Switches after which a load that moved nothing is given up."""
MOST_DIGITS = 3
KEYS = "Enter: done. b: that went wrong. e: enough. q: leave this load."
YES = ("y", "yes", "j", "ja", "s", "si", "o", "oui")
ON = {True: "ON", False: "OFF"}
PLUG = {True: "Put the plug in again, but leave the load off", False: "Pull its plug"}


class Left(Exception):  # noqa: N818 - reads as what it is
    """The person leaves this load."""


def _seen_text(load: Load) -> str:
    return "1 switch" if len(load.switched) == 1 else f"{len(load.switched)} switches"


class Walk:
    """One session: loads are picked or named, measured, kept."""

    def __init__(
        self, settings: Settings, talk: Talk, ears: Ears, keys: Keys, book: LoadBook, precision: Precision
    ) -> None:
        self._settings, self._talk, self._ears, self._keys, self._book = settings, talk, ears, keys, book
        self._precision = precision
        self._room = ""

    # -- talking ----------------------------------------------------------------------------------------

    def _ask(self, question: str) -> str:
        """Ask, and listen to the broker until a line comes."""
        self._talk.asks(question)
        found: list[str] = []

        def is_said() -> bool:
            line = self._keys.line()
            if line is not None:
                found.append(line)
            return bool(found)

        self._ears.listen(is_said)
        self._talk.answered()
        return found[0]

    def _wait(self, left_s: Callable[[], int], text: str, *, enter_ends: bool = False) -> None:
        """Wait until no seconds are left, counting them down on one line.

        Raises:
            Left: if the person leaves.
        """

        def is_over() -> bool:
            left, line = left_s(), self._keys.line()
            if left > 0:
                self._talk.count(text.format(left))
            if line in ("q", "Q"):
                raise Left
            return left <= 0 or (enter_ends and line is not None)

        try:
            self._ears.listen(is_over)
        finally:
            self._talk.clear()

    def _title(self, circuit: str) -> str:
        meter = self._ears.house.meters.get(circuit)
        return meter.label if meter is not None and meter.label else circuit

    # -- the session ------------------------------------------------------------------------------------

    def run(self) -> None:
        """From the cautions to the last load."""
        self._talk.say(f"{self._settings.house.name or self._settings.house.id}: a round of its loads.")
        self._talk.say("Before you start:")
        for caution in CAUTIONS:
            self._talk.say(f" - {caution}")
        self._listen_first()
        while name := self._pick():
            try:
                self._one(name)
            except Left:
                self._talk.say(f"Left {name}. What was measured is kept.")
        self.leave()

    def leave(self) -> None:
        """Say what stands, and how to go on."""
        self._book.flush()
        for load in self._book.unwritten:
            known = f"{load.on_w} W" if load.on_w is not None else _seen_text(load)
            self._talk.say(f"NOT written down: {load.name}, {known}. Write it on paper.")
        left = len(self._book.left())
        self._talk.say(f"{len(self._book.loads) - left} known, {left} still to do. See them: wattround inventory list.")

    def _listen_first(self) -> None:
        ears, begun_ms = self._ears, self._ears.now_ms()

        def left_s() -> int:
            now_ms = ears.now_ms()
            return 0 if ears.house.is_ready(now_ms, FIRST_READINGS) else FIRST_S - (now_ms - begun_ms) // 1000

        self._talk.say("Listening to the meters. Enter goes on at once.")
        self._wait(left_s, "{} s", enter_ends=True)
        ears.house.note_quiet(begun_ms, ears.now_ms())
        for line in meters_heard(ears.house.heard(ears.now_ms())):
            self._talk.say(line)

    def _pick(self) -> str:
        """The load that is next; nothing to end."""
        self._book.refresh()
        left = self._book.left()
        if left:
            self._talk.say("")
            self._talk.say("Still to do:")
            for number, load in enumerate(left, 1):
                begun = f", {_seen_text(load)} seen" if load.switched else ""
                self._talk.say(f"  {number}  {f'{load.room}: ' if load.room else ''}{load.name}{begun}")
        self._talk.say("")
        which = "A number, a name," if left else "A name,"
        said = self._ask(f"Which load? {which} or Enter to end.")
        if said.isdecimal():
            if 1 <= int(said) <= len(left):
                return left[int(said) - 1].name
            self._talk.say(f"There is no {said} in the list.")
            return self._pick()
        if not said.isprintable():
            self._talk.say("Not taken: expected a name in plain letters.")
            return self._pick()
        known = next((name for name in self._book.loads if name.casefold() == said.casefold()), said)
        return known if len(known) <= 80 else known[:80].strip()

    def _one(self, name: str) -> None:
        load = self._book.loads.get(name)
        if load is None:
            room = self._ask(f"In which room?{f' Enter: {self._room}.' if self._room else ''}") or self._room
            load = Load(name=name, room=room[:40])
            self._book.keep(load)
        elif load.on_w is not None and not load.switched:
            self._talk.say(f"{name} is known: {load.on_w} W.")
            if self._ask("Measure it again? y, or Enter for no.").lower() not in YES:
                return
        self._room = load.room or self._room
        if load.switched:
            self._talk.say(f"It goes on where it was: {_seen_text(load)} seen.")
        self._measure(load)

    # -- one load ---------------------------------------------------------------------------------------

    def _measure(self, load: Load) -> None:
        self._talk.say(KEYS)
        own = Round(self._ears.house, self._precision, repeats(load, "switch"))
        verdict = own.verdict() if own.repeats else None
        if verdict is None or verdict.found is None or verdict.more:
            verdict, is_on = self._switch(load, own)
        else:
            is_on = None
        if verdict is None or verdict.found is None or verdict.place.name is None or not verdict.found.is_clear:
            self._type_in(self._book.loads[load.name])
            return
        standby = self._standby(load, own, verdict.place.name, is_on)
        self._finish(self._book.loads[load.name], verdict, standby)

    def _switch(self, load: Load, own: Round) -> tuple[Verdict | None, bool]:
        """Off, on, off, until it is known well enough; what it came to, and whether it is on in the end."""
        is_on = False
        if self._ask("Switch it OFF. Press Enter when it is off.").lower() == "q":
            raise Left
        verdict: Verdict | None = None
        own.left(self._ears.now_ms(), on=is_on)
        while True:
            self._settle(own, f"Leave it {ON[is_on]}.")
            if own.told(self._ears.now_ms()) is not None:
                verdict = self._seen(load, own, "switch")
                if self._is_over(verdict, own):
                    return verdict, is_on
            word = self._ask(f"Now switch it {ON[not is_on]}. Press Enter when it is {ON[not is_on].lower()}.").lower()
            if word == "q":
                raise Left
            if word == "e" and own.repeats:
                return own.verdict(), is_on
            if word == "b":
                is_on = self._again(load, own)
                continue
            is_on = not is_on
            own.left(self._ears.now_ms(), on=is_on)

    def _again(self, load: Load, own: Round) -> bool:
        """Take the last switch back; whether the load is on now."""
        own.again()
        kept = self._book.loads[load.name]
        self._book.keep(kept.model_copy(update={"switched": kept.switched[:-1]}))
        is_on = self._ask("That one is struck out. Is it on now? y, or Enter for off.").lower() in YES
        own.left(self._ears.now_ms(), on=is_on)
        return is_on

    def _is_over(self, verdict: Verdict, own: Round) -> bool:
        if verdict.found is None:
            return len(own.repeats) >= MOST_BLIND
        return verdict.more == 0 or (verdict.more is None and verdict.found.repeats >= self._precision.repeats)

    def _settle(self, own: Round, text: str) -> None:
        """Wait until the circuits have been read well enough."""
        silent = warned = False

        def left_s() -> int:
            nonlocal silent, warned
            wait = own.wait_ms(self._ears.now_ms())
            if wait is None:
                if not silent:
                    self._talk.say("Nothing can be heard of any circuit just now. Waiting for it; q leaves.")
                silent = True
                return 1
            silent = False
            if wait > LONG_MS and not warned:
                self._talk.say(f"{self._title(own.waits_for)} is heard seldom: this takes a while.")
                warned = True
            return -(-wait // 1000)

        self._wait(left_s, text + " {} s")

    def _seen(self, load: Load, own: Round, way: str) -> Verdict:
        """Keep the last repeat, and say what all of them come to."""
        verdict = own.verdict()
        last = own.repeats[-1]
        self._note(load, last, way, verdict)
        titles = {name: self._title(name) for name in last.steps}
        for line in verdict_lines(verdict, self._title(verdict.place.name or "")):
            self._talk.say(line)
        others = others_line(own.others(last), titles) if way == "switch" else ""
        if others:
            self._talk.say(others)
        self._talk.say(wanted_line(verdict))
        return verdict

    def _note(self, load: Load, last: Repeat, way: str, verdict: Verdict) -> None:
        if not last.steps:
            return
        kept = self._book.loads[load.name]
        around = self._ears.house.wiring.family(verdict.place.name) if verdict.place.name is not None else set()
        entry = switched(last, way, self._book.moment(last.at_ms), around)
        self._book.keep(kept.model_copy(update={"switched": (*kept.switched, entry)}))

    # -- standby, and the end ---------------------------------------------------------------------------

    def _standby(self, load: Load, own: Round, circuit: str, is_on: bool | None) -> Combined | None:
        """What it draws while it is off, seen by pulling its plug; None where that is not wanted."""
        if self._ask("Standby: can you pull its plug? y, or Enter for no.").lower() not in YES:
            return None
        plug = Round(self._ears.house, STANDBY, repeats(load, "plug"), circuit)
        if is_on is False:
            plug.follow(own)
        else:
            if self._ask("Switch it OFF, its plug still in. Press Enter when it is off.").lower() in ("q", "e"):
                return None
            plug.left(self._ears.now_ms(), on=True)
            self._settle(plug, "Leave it OFF.")
            plug.told(self._ears.now_ms())
        is_in, verdict = True, None
        while verdict is None or verdict.more or not is_in:
            word = self._ask(f"{PLUG[not is_in]}. Press Enter when done.").lower()
            if word in ("q", "e"):
                break
            is_in = not is_in
            plug.left(self._ears.now_ms(), on=is_in)
            self._settle(plug, f"Leave the plug {'IN' if is_in else 'OUT'}.")
            if plug.told(self._ears.now_ms()) is not None:
                verdict = self._seen(load, plug, "plug")
        return verdict.found if verdict is not None else None

    def _finish(self, load: Load, verdict: Verdict, standby: Combined | None) -> None:
        found = verdict.found
        if found is None:
            return
        whole = found if standby is None else found.plus(standby)
        update = {**figures("on", whole.watts, whole), "circuit": verdict.place.name, "how": "measured", "switched": ()}
        update["inrush_w"] = None if verdict.inrush_w is None else Decimal(round(verdict.inrush_w))
        if standby is not None:
            update |= figures("standby", standby.watts, standby)
        if verdict.place.doubtful:
            update["note"] = load.note or f"may hang on {', '.join(verdict.place.doubtful)}"[:200]
        done = load.model_copy(update={**update, "measured": self._book.moment(self._ears.now_ms())})
        self._book.keep(done)
        rest = "" if standby is None else f", {watts_text(standby)} in standby"
        self._talk.say(f"{load.name}: {watts_text(whole)}{rest}, on {self._title(verdict.place.name or '')}. Kept.")
        if inrush_line(verdict):
            self._talk.say(inrush_line(verdict))
        self._hours(done)

    def _type_in(self, load: Load) -> None:
        """Watts of a load that could not be measured."""
        self._talk.say(f"{load.name} cannot be measured here.")
        said = self._ask("Watts from its plate? A number, or Enter to leave it to do.")
        try:
            watts = Decimal(said.removesuffix("W").strip().replace(",", "."))
        except InvalidOperation:
            return
        if not 0 < watts <= 100_000:
            self._talk.say(f"{said} is not taken: expected watts from 1 to 100000.")
            return
        if -int(watts.as_tuple().exponent) > MOST_DIGITS:
            watts = round(watts, MOST_DIGITS)
        done = load.model_copy(update={"on_w": watts, "how": "plate", "switched": ()})
        self._book.keep(done)
        self._hours(done)

    def _hours(self, load: Load) -> None:
        said = self._ask("Hours a day in use? 3, or 2-4; Enter if you do not know.")
        try:
            low, high = hours_of(said) if said else (None, None)
        except ValueError as refusal:
            self._talk.say(f"{refusal}. Later: wattround inventory edit.")
            return
        if low is not None:
            self._book.keep(load.model_copy(update={"hours_low": low, "hours_high": high}))
